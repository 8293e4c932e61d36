"""Eye-movement science: traces, beats, the battery of tests, limits and findings."""
