"""What a calibration's own uncertainty does to velocities: a gain that is off, axes that leak into others."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from capture.calibration import Calibration
from capture.eye_geometry import gaze, iris_rotation, picture_position

Floats = NDArray[np.float64]
STEP_RAD = 1e-4
SHARE = 0.2  # of one standard deviation, by which the model is moved to see what changes


def motion_errors(calibration: Calibration) -> Floats | None:
    """Matrices (k, 3, 3) of what the calibration may get wrong in motion; None where it does not say.

    Each is one independent standard deviation: a velocity v (horizontal, vertical, torsional) is measured as
    v + sum of n_i M_i v with n_i independent, normal, of variance 1. About the centre of gaze. Only of eyes
    with a calibration of their own: that of an average eye has no gain to speak of.
    """
    if not calibration.calibrated or not calibration.covariance:
        return None
    values, directions = np.linalg.eigh(np.array(calibration.covariance))
    moves = directions.T * np.sqrt(np.maximum(values, 0.0))[:, None]
    vector = calibration.model.vector()
    found = [
        (_motion(vector, vector + SHARE * move) - _motion(vector, vector - SHARE * move)) / (2 * SHARE)
        for move in moves
    ]
    return np.array(found)


def _motion(assumed: Floats, true: Floats) -> Floats:
    """(3, 3) that makes the measured velocity of the true one, about the centre of gaze as assumed."""
    centre = np.zeros((1, 2))
    looks = gaze(true, picture_position(assumed, centre), np.zeros(1))
    found = np.linalg.solve(_picture_motion(assumed, centre), _picture_motion(true, looks))
    return np.asarray(found, dtype=np.float64)


def _picture_motion(vector: Floats, looks: Floats) -> Floats:
    """(3, 3) motion of pupil (x, y) and iris for motions of the eye (horizontal, vertical, torsional)."""
    motion = np.zeros((3, 3))
    for axis, turn in enumerate(np.eye(3) * STEP_RAD):
        ahead, back = looks + turn[:2], looks - turn[:2]
        motion[:2, axis] = (picture_position(vector, ahead) - picture_position(vector, back))[0]
        motion[2:, axis] = iris_rotation(vector, ahead, turn[2:]) - iris_rotation(vector, back, -turn[2:])
    seen = picture_position(vector, looks)
    would_look = gaze(vector, seen, np.array([STEP_RAD])) - gaze(vector, seen, np.array([-STEP_RAD]))
    motion[:2, 2] = motion[:2, :2] @ -would_look[0] / (2 * STEP_RAD)  # it lies off the line of sight
    return motion / (2 * STEP_RAD)
