"""The one leg of a lid that passes for a beat, where a quick phase hides the other.

A lid that falls or rises while the eye beats shows one leg only, and that goes the way of the beats
(`analysis.lids` finds what goes down and comes back). But lids turn the eye a little to the side and in
torsion, and give that back too. So the leg strays from the axis along which the beats about it go, and the
movement before or behind it, which holds the quick phase, to the other side; or the pupil is hidden there.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Chosen on invented traces (seeds 50000 to 50039 of each kind); what is not said to be so is a design choice.
LONGEST_S = 0.5  # between the two legs, as in `analysis.lids`
HIDDEN_S = 0.1  # from the leg to what hides the other: the cut behind a blink (clinical 27.19)
REACH_S = 10.0  # beats this near share an axis (span of clinical 6)
LEAST_BEATS = 4
STRAYS = 4.0  # SDs of the beats about their axis
GIVES_BACK = 0.7  # cosine between the one stray and the other's opposite
CHIEFLY = 0.85  # share of a leg that is vertical: 2 to 8 deg down, about 1 deg to the side and in torsion
SIDEWAYS = 0.5  # a movement less vertical than this is a jerk, none that holds the other leg
TO_SD, LEAST_SD_DEG = 1.4826, 0.02

Floats = NDArray[np.float64]


@njit(cache=True, nogil=True, fastmath=False)
def _strays(steps: Floats, axis: Floats) -> Floats:
    """What is left of steps (k, 3) without their part along an axis."""
    return steps - np.outer(steps @ axis, axis)


@njit(cache=True, nogil=True, fastmath=False)
def _axis(steps: Floats, way: Floats) -> tuple[Floats, Floats]:
    """Common axis of steps (k, 3), and the standard deviation of each component about it."""
    axis, spread = np.zeros(3), np.zeros(3)
    sides = np.sign(steps @ way)
    for k in range(3):
        axis[k] = np.median(steps[:, k] * sides)
    axis /= max(np.sqrt(np.sum(axis**2)), 1e-9)
    rest = np.abs(_strays(steps, axis))
    for k in range(3):
        spread[k] = max(TO_SD * np.median(rest[:, k]), LEAST_SD_DEG)
    return axis, spread


@njit(cache=True, nogil=True, fastmath=False)
def _size(step: Floats) -> float:
    return np.sqrt(np.sum(step**2))


@njit(cache=True, nogil=True, fastmath=False)
def _given_back(steps: Floats, middle_s: Floats, alike: NDArray[np.bool_], i: int, stray: Floats) -> bool:
    """Whether a movement behind step `i` that goes down, or before one that goes up, strays the other way.

    `stray` (k, 3) of every step in SDs; only those `alike`, of which the same axes are known, tell.
    """
    way = 1 if steps[i, 1] < 0 else -1
    k = i + way
    while 0 <= k < len(steps) and abs(middle_s[k] - middle_s[i]) <= LONGEST_S:
        upright = abs(steps[k, 1]) >= SIDEWAYS * _size(steps[k])
        far, own = _size(stray[k]), _size(stray[i])
        if alike[k] and upright and far >= STRAYS and np.sum(stray[k] * stray[i]) < -GIVES_BACK * far * own:
            return True
        k += way
    return False


@njit(cache=True, nogil=True, fastmath=False)
def _hidden(edges_s: Floats, start_s: float, middle_s: float, end_s: float, falls: bool) -> bool:
    """Whether the trace ends just behind a leg that falls, or begins just before one that rises."""
    k = np.searchsorted(edges_s, middle_s)
    if falls:
        return bool(k < len(edges_s) and edges_s[k] - end_s < HIDDEN_S)
    return bool(k > 0 and start_s - edges_s[k - 1] < HIDDEN_S)


@njit(cache=True, nogil=True, fastmath=False)
def find_lid_legs(
    times_s: Floats,
    steps: Floats,
    measured: NDArray[np.uint8],
    beats: NDArray[np.bool_],
    edges_s: Floats,
) -> NDArray[np.bool_]:
    """Which of the fast movements (k,) that pass for `beats` are legs of a lid.

    `times_s` (k, 3) start, middle and end; `steps` (k, 3) deg, of which `measured` (k, 3) are known;
    `edges_s` (m,) in order, where the trace is broken by blinks, lids and gaps.
    """
    found = np.zeros(len(steps), np.bool_)
    middle_s = times_s[:, 1].copy()
    for i in range(len(steps)):
        if not beats[i] or abs(steps[i, 1]) < CHIEFLY * _size(steps[i]):
            continue
        low = np.searchsorted(middle_s, middle_s[i] - REACH_S)
        high = np.searchsorted(middle_s, middle_s[i] + REACH_S)
        alike = np.ones(high - low, np.bool_)
        for k in range(3):
            alike &= measured[low:high, k] == measured[i, k]
        near = steps[low:high][beats[low:high] & alike]
        if len(near) < LEAST_BEATS:
            continue
        axis, spread = _axis(near, steps[i])
        stray = _strays(steps[low:high], axis) / spread
        if _size(stray[i - low]) >= STRAYS:
            found[i] = _given_back(steps[low:high], middle_s[low:high], alike, i - low, stray) or _hidden(
                edges_s, times_s[i, 0], times_s[i, 1], times_s[i, 2], steps[i, 1] < 0
            )
    return found
