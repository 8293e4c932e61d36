"""Ray-traced eyes that were calibrated: what their degrees are worth."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from capture.calibration import Calibration, degrees
from capture.profile import MountGeometry

UNKNOWN = MountGeometry()


def circles(radius_deg: float, torsion_deg: float = 0.0) -> NDArray[np.float64]:
    """(19, 3) gaze within a radius."""
    around = np.radians(np.arange(0.0, 360.0, 40.0))
    rings = [radius_deg * share * np.column_stack((np.cos(around), np.sin(around))) for share in (0.5, 1.0)]
    return np.pad(np.vstack((np.zeros((1, 2)), *rings)), ((0, 0), (0, 1)), constant_values=torsion_deg)


def converted(calibration: Calibration, rows: NDArray[np.void]) -> NDArray[np.float64]:
    """(n, 3) degrees of samples."""
    return degrees(calibration, rows["x_px"], rows["y_px"], rows["rotation_deg"])


def quality(said: NDArray[np.float64], truth: NDArray[np.float64]) -> tuple[float, float, float]:
    """RMS error (deg) of horizontal and vertical, largest gain error, largest cross-talk."""
    design = np.column_stack((truth[:, :2], np.ones(len(truth))))
    slopes = np.linalg.lstsq(design, said[:, :2], rcond=None)[0][:2]
    rms = float(np.sqrt(np.mean((said - truth)[:, :2] ** 2)))
    return rms, float(np.abs(np.diag(slopes) - 1.0).max()), float(max(abs(slopes[0, 1]), abs(slopes[1, 0])))
