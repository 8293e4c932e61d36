"""Crosses to look at for a calibration without a stimulus screen, printed true to size."""
