"""Ways out of a recording, one file a format; each is checked by an outside reader."""
