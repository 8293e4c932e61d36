"""The head angle at which a lasting nystagmus stops, from velocities at several angles."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis.estimate import Z_95, Estimate, are_numbers

Floats = NDArray[np.float64]
LEAST_DPS = 1.0  # on both sides, for the nystagmus to have turned round (design choice)
LEAST_ERROR_DPS = 0.05  # no velocity is surer (design choice)


def null_angle(
    angle_deg: Sequence[float], velocity_dps: Sequence[float], standard_error_dps: Sequence[float]
) -> Estimate | str:
    """Where velocity passes 0 between two head angles, deg; or why that is not known.

    Angles rise, positive: head to the right. Straight from the last angle with a nystagmus one way to the
    first with one the other way, those between them included.

    Raises ValueError for arrays of different length, not finite, or angles that do not rise.

    >>> round(null_angle([10.0, 20.0], [3.0, -3.0], [0.3, 0.3]).value, 6)
    15.0
    """
    angle, speed, error = (np.asarray(v, np.float64) for v in (angle_deg, velocity_dps, standard_error_dps))
    for name, values in (("velocity_dps", speed), ("standard_error_dps", error)):
        if values.shape != angle.shape or not are_numbers(values):
            raise ValueError(f"{name} must be finite and one an angle")
    if not are_numbers(angle) or np.any(np.diff(angle) <= 0):
        raise ValueError("angle_deg must be finite and rise")
    if angle.size < 2:
        return "velocity known at fewer than two angles"
    sure = np.flatnonzero(np.abs(speed) >= LEAST_DPS)
    turns = [(a, b) for a, b in pairwise(sure.tolist()) if speed[a] * speed[b] < 0]
    if not turns:
        return "the nystagmus does not turn round between the angles"
    if len(turns) > 1:
        return "the nystagmus turns round at more than one angle"
    part = slice(turns[0][0], turns[0][1] + 1)
    return _crossing(angle[part], speed[part], np.maximum(error[part], LEAST_ERROR_DPS))


def _crossing(angle: Floats, speed: Floats, error: Floats) -> Estimate:
    """Where a straight line through the points, weighted by their errors, passes 0.

    Points that lie further from the line than their errors allow make it as unsure as they are (Birge, Phys
    Rev 1932;40:207, from memory): slow beats that noise hides, or a nystagmus that does not follow a line.
    """
    middle = float(angle.mean())
    columns = np.column_stack((np.ones(angle.size), angle - middle)) / error[:, None]
    covariance = np.linalg.inv(columns.T @ columns)
    level, slope = (covariance @ columns.T @ (speed / error)).tolist()
    along = np.array([-1 / slope, level / slope**2])
    misfit = float(np.sum((speed / error - columns @ (level, slope)) ** 2)) / max(angle.size - 2, 1)
    spread = math.sqrt(max(misfit, 1.0) * float(along @ covariance @ along))
    at = middle - level / slope
    return Estimate(at, spread, (at - Z_95 * spread, at + Z_95 * spread))
