"""From a camera's picture to an eye sample: sources, the tracker, calibration, the clock."""
