"""The head angle at which a lasting nystagmus stops, from velocities at several angles."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from analysis.estimate import Z_95, Estimate, are_numbers

Floats = NDArray[np.float64]
LEAST_DPS = 1.0  # on both sides, for the nystagmus to have turned round (design choice)
LEAST_ERROR_DPS = 0.01  # no velocity is surer (design choice)
CHANCE = 0.05  # of points on a line to lie so far from it
TRIED, ROUNDS = 1001, 10  # crossings; until no point changes the side of its line


def null_angle(
    angle_deg: Sequence[float], velocity_dps: Sequence[float], interval_dps: Sequence[tuple[float, float]]
) -> Estimate | str:
    """Where velocity passes 0 between two head angles, deg; or why that is not known.

    Angles rise, positive: head to the right. Straight from the last angle with a certain nystagmus one way to
    the first with one the other way, those between them included. `interval_dps` (n, 2) holds 95 % of each.

    Raises ValueError for arrays of different length, not finite, or angles that do not rise.

    >>> round(null_angle([10.0, 20.0], [3.0, -3.0], [(2.4, 3.6), (-3.6, -2.4)]).value, 6)
    15.0
    """
    angle, speed, between = (np.asarray(v, np.float64) for v in (angle_deg, velocity_dps, interval_dps))
    between = between.reshape(0, 2) if between.size == 0 else between  # none: no angle had a velocity
    for name, values, shape in (
        ("velocity_dps", speed, angle.shape), ("interval_dps", between, (*angle.shape, 2)),
    ):  # fmt: skip
        if values.shape != shape or not are_numbers(values):
            raise ValueError(f"{name} must be finite and one an angle")
    if not are_numbers(angle) or np.any(np.diff(angle) <= 0):
        raise ValueError("angle_deg must be finite and rise")
    if angle.size < 2:
        return "velocity known at fewer than two angles"
    sure = np.flatnonzero((np.abs(speed) >= LEAST_DPS) & (between[:, 0] * between[:, 1] > 0))
    turns = [(a, b) for a, b in pairwise(sure.tolist()) if speed[a] * speed[b] < 0]
    if not turns:
        return "the nystagmus does not turn round between the angles"
    if len(turns) > 1:
        return "the nystagmus turns round at more than one angle"
    part = slice(turns[0][0], turns[0][1] + 1)
    error = np.maximum(np.abs(between[part] - speed[part, None]) / Z_95, LEAST_ERROR_DPS)
    return _crossing(angle[part], speed[part], error)


def _crossing(angle: Floats, speed: Floats, error: Floats) -> Estimate:
    """Where a straight line through the points passes 0; `error` (n, 2) below and above each.

    Of beats that noise hides a slow drift is left, which may be far too slow but hardly too fast. So a line
    is held against the error on its own side, every crossing is tried with the best line through it, and the
    interval holds those that fit by less than 1.96^2 worse than the best. Points that lie further from that
    than chance brings them make it as unsure as they are (Birge, Phys Rev 1932;40:207, from memory).
    """
    tried = np.linspace(angle[0], angle[-1], TRIED)
    away = angle - tried[:, None]
    slope = np.full((TRIED, 1), (speed[-1] - speed[0]) / (angle[-1] - angle[0]))
    side = error[:, 1] * np.ones_like(away)
    for _ in range(ROUNDS):
        side = np.where(slope * away > speed, error[:, 1], error[:, 0])
        slope = ((away * speed / side**2).sum(1) / (away**2 / side**2).sum(1))[:, None]
    misfit = (((slope * away - speed) / side) ** 2).sum(1)
    best = int(np.argmin(misfit))
    freedom, least = angle.size - 2, float(misfit[best])
    usual = least / freedom if freedom and least > chdtri(freedom, CHANCE) else 1.0
    inside = tried[misfit <= least + Z_95**2 * usual]
    low, high = float(inside[0]), float(inside[-1])
    return Estimate(float(tried[best]), (high - low) / 2 / Z_95, (low, high))
