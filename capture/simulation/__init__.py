"""A simulated patient: infrared pictures of two eyes whose every movement is known."""
