"""Quick phases too small to be found one by one, told by the shape of a trace, and the drift between them.

A resting eye wanders, jerks and trembles to both sides alike. Slow and quick phases do not: over a short time
the eye mostly moves a little to one side, and now and then further to the other. So the third moment of its
steps is beyond chance and has the side of the quick phases; what their fourth moment has beyond that of noise
is greater by the size of these. They turn back the slopes of the pieces that they touch: the drift lies
further to the other side than the median of all.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.nystagmus import NORMAL_SD_PER_MAD, Middle, piece_slopes, samples_in
from analysis.trace import Trace
from capture.samples import AXES

Floats = NDArray[np.float64]
# Design choices, seen on 376 quiet and 48 beating eyes in the dark, 15 s each (of the quiet, 1 % beyond 1.9).
STEP_S = 0.06  # a quick phase of a degree and less is over within it
BLOCK_S = 0.5  # over which noise and wander resemble themselves
LEAST_BLOCKS = 10
POSSIBLE, CERTAIN = 2.0, 3.0  # standard errors from which on the interval, and the value too, heeds them
LARGEST_DEG = 2.0  # what moves further is not small: one saccade outweighs them all
SMALLEST_DEG = 0.5  # of a quick phase
DOUBT = 2.0  # their size may be less by this factor
PIECES_S = (0.25, 0.12)  # for the value, and for how far it may lie at most
MOST_TOUCHED = 0.8  # share of the pieces
TRIED = 200


def hidden_quick_phases(trace: Trace, start_s: float, end_s: float, axis: int) -> tuple[float, float]:
    """Signed size, deg, of small quick phases in a span, and by how many standard errors there are any."""
    part = samples_in(trace, start_s, end_s)
    good = (trace.torsion_valid if axis == AXES.index("torsional") else trace.valid)[part]
    time, place = trace.time_s[part], trace.position_deg[part, axis]
    apart = max(round(STEP_S * trace.rate_hz), 1)
    if len(time) <= apart:
        return 0.0, 0.0
    whole = good[apart:] & good[:-apart] & (time[apart:] - time[:-apart] < STEP_S + 1.5 / trace.rate_hz)
    steps = place[apart:] - place[:-apart]
    small = whole & (np.abs(steps) < LARGEST_DEG)
    block = ((time[:-apart][small] - start_s) // BLOCK_S).astype(np.int64)
    if np.count_nonzero(np.bincount(block)) < LEAST_BLOCKS:
        return 0.0, 0.0
    steps = steps[small]
    away = steps - steps.mean()
    square = away * away
    third = float(square @ away)
    error = float(np.linalg.norm(np.bincount(block, square * away - third / len(away))))
    if not third:
        return 0.0, 0.0
    usual = NORMAL_SD_PER_MAD * float(np.median(np.abs(steps - np.median(steps))))
    size = (float(square @ square) - 3 * len(away) * usual**4) / abs(third)
    return float(np.copysign(np.clip(size, SMALLEST_DEG, LARGEST_DEG), third)), abs(third) / error


def with_hidden_beats(found: Middle, trace: Trace, start_s: float, end_s: float, axis: int) -> Middle:
    """A drift, deg/s, whose quick phases were not found: it lies further to the slow side, less certainly."""
    quick_deg, errors = hidden_quick_phases(trace, start_s, end_s, axis)
    if errors < POSSIBLE:
        return found
    side, size_deg = -float(np.sign(quick_deg)), abs(quick_deg)
    value, furthest = (
        _speed(side * piece_slopes(trace, start_s, end_s, axis, piece_s)[0], piece_s, deg)
        for piece_s, deg in zip(PIECES_S, (size_deg, max(size_deg / DOUBT, SMALLEST_DEG)), strict=True)
    )
    low, high = sorted(side * end for end in found.interval)
    ends = sorted((side * low, side * max(high, value, furthest)))
    median = side * max(side * found.median, value) if errors >= CERTAIN else found.median
    return replace(found, median=median, interval=(ends[0], ends[1]))


def _speed(slopes: Floats, piece_s: float, size_deg: float) -> float:
    """Greatest speed at which quick phases of a size leave the median of the untouched among slopes (k,)."""
    if not len(slopes):
        return 0.0
    tried = np.linspace(0.0, max(float(slopes.max()), 0.0), TRIED)
    touched = np.minimum(tried * piece_s / size_deg, MOST_TOUCHED)
    possible = np.quantile(slopes, (1 + touched) / 2) >= tried
    return float(tried[possible].max(initial=0.0))
