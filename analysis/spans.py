"""Slow-phase velocity of one eye and axis in any span of time."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analysis.beats import Beat
from analysis.estimate import Estimate
from analysis.nystagmus import drift, middle
from analysis.trace import Trace

DRIFT_PIECE_S = 0.25
LEAST_BEATS = 3


def velocity_in(
    trace: Trace, beats: Sequence[Beat], axis: int, start_s: float, end_s: float
) -> Estimate | None:
    """Median slow-phase velocity of the accepted beats inside, deg/s; the slow drift where they are too few.

    In a short span of slow beats, those whose slow phase lies mostly inside count as well. None where there
    is neither beat nor drift: the eye was not seen for two pieces of a quarter of a second.
    """
    known = [b for b in beats if b.accepted and math.isfinite(b.slow_phase_velocity_dps[axis])]
    inside = [b for b in known if start_s <= b.slow_start_s and b.quick_end_s <= end_s]
    if len(inside) < LEAST_BEATS:
        inside = [b for b in known if start_s <= (b.slow_start_s + b.slow_end_s) / 2 <= end_s]
    if len(inside) >= LEAST_BEATS:
        found = middle(
            np.array([b.slow_phase_velocity_dps[axis] for b in inside]),
            np.array([b.slow_phase_velocity_se_dps[axis] for b in inside]),
        )
    else:
        found = drift(trace, start_s, end_s, axis, DRIFT_PIECE_S)
    return None if found is None else Estimate(found.median, found.standard_error, found.interval)
