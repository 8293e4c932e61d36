"""Lids that hide no pupil: what is seen of it sinks and comes back, which no beat does.

A blink too short or too shallow to hide the pupil still draws down what is seen of it, with a small movement
of the eye itself, and gives it back (0.1 to 0.4 s, down then up: clinical 3.7). Beside the drift, a quick
phase takes the eye from one slow phase to the next and leaves it there: however many lie between two slow
phases, they go one way. A lid goes down and comes up again, whether or not a quick phase falls into it.

A pair of vertical jerks, off down and back up, looks the same and is taken for a lid; jerks are horizontal
(clinical 1.7).
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

# What only shapes the search; chosen on invented traces (seeds 1000 to 1039 of each kind).
LONGEST_S = 0.5  # from the slow phase before a lid to the one behind it
SHORTEST_S = 0.08  # from the top before it to the top behind it
LEAST_DEG = 1.0  # shallower ones are left as they are
SURE = 6.0  # standard errors of the depth
SMOOTH_S = 0.012  # heights are means over this
FALL_S, RISE_S = 0.1, 0.15  # of a lid, most of its way; a slow phase that bends takes longer
MOST = 0.75  # of its depth
AT_ONCE_S = 0.06  # a top's own fall, or rise, takes no longer
COMES_BACK = 0.5  # share of that, at least, which is given back
AS_DEEP = 0.8  # share of the greatest depth at which two spans show the same lid
AS_FAR = 0.15  # share of the depth by which the way out may differ from the way back
TURN, TURN_ERRORS = 0.5, 4.0  # as in `analysis.slow_phases`: then the drift itself is another behind it

Floats = NDArray[np.float64]
Seen = tuple[Floats, Floats, float, float]  # times, heights, noise of a height, time between two


@njit(cache=True, nogil=True, fastmath=False)
def _line(t: Floats, v: Floats, first: int, last: int, out: Floats) -> None:
    """Line through samples first..last: mean time, height then, slope, variance factor of the slope."""
    n = last - first + 1
    at, mean, squares, product = 0.0, 0.0, 0.0, 0.0
    for k in range(first, last + 1):
        at += t[k] - t[first]
        mean += v[k]
    at, mean = t[first] + at / n, mean / n
    for k in range(first, last + 1):
        squares += (t[k] - at) ** 2
        product += (t[k] - at) * (v[k] - mean)
    out[0], out[1], out[2], out[3] = at, mean, product / squares, 1.0 / squares


@njit(cache=True, nogil=True, fastmath=False)
def _beside_drift(
    seen: Seen, before: Floats, after: Floats, slope: float, first: int, last: int, group: int
) -> Floats:
    """Heights beside a drift of this `slope`: line before, samples first..last, line after."""
    t, v, _, _ = seen
    r = np.empty(last - first - group + 4)
    for line, k, at in ((before, first - 1, 0), (after, last + 1, r.size - 1)):
        r[at] = line[1] + line[2] * (t[k] - line[0]) - slope * (t[k] - t[first])
    for k in range(1, r.size - 1):
        r[k] = 0.0
        for m in range(first + k - 1, first + k - 1 + group):
            r[k] += (v[m] - slope * (t[m] - t[first])) / group
    return r


@njit(cache=True, nogil=True, fastmath=False)
def _dip(r: Floats) -> tuple[int, int, int, float]:
    """Top before, bottom and top behind the deepest place of `r` that is low beside both; and its depth."""
    high = r.copy()
    for k in range(r.size - 2, -1, -1):
        high[k] = max(r[k], high[k + 1])
    start, low, top, depth = 0, 0, 0, 0.0
    for k in range(1, r.size - 1):
        deep = min(r[top], high[k + 1]) - r[k]
        if deep > depth:
            start, low, depth = top, k, deep
        if r[k] >= r[top]:
            top = k
    end = low + 1
    while r[end] < high[low + 1]:
        end += 1
    return start, low, end, depth


@njit(cache=True, nogil=True, fastmath=False)
def _quick_both_ways(
    r: Floats, start: int, low: int, end: int, depth: float, interval_s: float
) -> tuple[bool, float]:
    """Whether `r` falls and rises as a lid does; and how much farther it comes up than it fell at first."""
    near = int(np.ceil(AT_ONCE_S / interval_s))
    fell = r[start] - r[start : start + near].min()
    rose = r[end] - r[max(end - near + 1, 0) : end + 1].min()
    out = r[start] - r[start : start + int(np.ceil(FALL_S / interval_s)) + 1].min()
    back = r[end] - r[max(end - int(np.ceil(RISE_S / interval_s)), 0) : end + 1].min()
    quick = min(out, back) >= MOST * depth and max(fell, rose) * COMES_BACK <= depth
    return quick, abs(r[end] - r[low] - fell)


@njit(cache=True, nogil=True, fastmath=False)
def _beside(
    seen: Seen, before: Floats, after: Floats, slope: float, first: int, last: int
) -> tuple[float, float, int, int]:
    """As `_between`, of samples first..last between two lines, beside a drift of this `slope`."""
    t, _, noise, interval_s = seen
    group = max(1, round(SMOOTH_S / interval_s))
    if last - first + 1 < group:
        return 0.0, 0.0, 0, 0
    r = _beside_drift(seen, before, after, slope, first, last, group)
    start, low, end, depth = _dip(r)
    lever_s = t[last + 1] - t[first - 1]
    doubt = noise * np.sqrt(2.0 / group + min(before[3], after[3]) * lever_s**2)
    long_enough = t[min(first + end, last + 1)] - t[first + start - 1] >= SHORTEST_S
    if depth < max(SURE * doubt, LEAST_DEG) or not long_enough:
        return 0.0, 0.0, 0, 0
    quick, differ = _quick_both_ways(r, start, low, end, depth, interval_s)
    until = last + 1 if end == r.size - 1 else first + end + group - 1
    return depth if quick else 0.0, differ, first + start - 1, until


@njit(cache=True, nogil=True, fastmath=False)
def _between(
    seen: Seen, lines: NDArray[np.int64], fits: Floats, i: int, j: int
) -> tuple[float, float, int, int]:
    """Depth of a lid between lines `i` and `j`, 0 for none; the ways' difference; samples before and behind.

    The drift may be that of either line: the lid must show beside both.
    """
    noise, before, after = seen[2], fits[i], fits[j]
    change, steepest = abs(after[2] - before[2]), max(abs(after[2]), abs(before[2]))
    if change > max(TURN_ERRORS * noise * np.sqrt(before[3] + after[3]), TURN * steepest):
        return 0.0, 0.0, 0, 0
    one = _beside(seen, before, after, before[2], lines[i, 1] + 1, lines[j, 0] - 1)
    if one[0] == 0.0:
        return one
    other = _beside(seen, before, after, after[2], lines[i, 1] + 1, lines[j, 0] - 1)
    return other if other[0] < one[0] else one


@njit(cache=True, nogil=True, fastmath=False)
def _latest(
    seen: Seen, lines: NDArray[np.int64], fits: Floats, i: int, j: int, enough: float
) -> tuple[int, int]:
    """Samples before and behind the lid whose way out is as far as its way back; else of the latest.

    It begins behind line `i` or a later one: what goes down before it are quick phases.
    """
    found = (-1, -1)
    for k in range(j - 1, i - 1, -1):
        depth, differ, since, until = _between(seen, lines, fits, k, j)
        if depth >= enough and (found[0] < 0 or differ < AS_FAR * depth):
            found = (since, until)
            if differ < AS_FAR * depth:
                break
    return found


@njit(cache=True, nogil=True, fastmath=False)
def find_lids(
    t: Floats,
    vertical_deg: Floats,
    noise_deg: float,
    lines: NDArray[np.int64],
    owner: NDArray[np.int64],
    interval_s: float,
) -> NDArray[np.int64]:
    """Last sample before and first behind (k, 2) each lid that shows the pupil.

    `t` (n,) and `vertical_deg` (n,) of valid samples, `noise_deg` of one; `lines` (m, 2) first and last
    sample of each straight line, `owner` (m,) the stretch that it lies in. A lid lies within a stretch.
    """
    seen = (t, vertical_deg, noise_deg, interval_s)
    fits = np.zeros((len(lines), 4))
    for i in range(len(lines)):
        _line(t, vertical_deg, lines[i, 0], lines[i, 1], fits[i])
    found = np.empty((len(lines), 2), np.int64)
    count, i = 0, 0
    while i < len(lines) - 1:
        deepest, j, behind = 0.0, i + 1, i + 1
        while j < len(lines) and owner[j] == owner[i] and t[lines[j, 0]] - t[lines[i, 1]] <= LONGEST_S:
            depth = _between(seen, lines, fits, i, j)[0]
            if AS_DEEP * depth > deepest:
                deepest, behind = depth, j
            j += 1
        if deepest > 0.0:
            found[count] = _latest(seen, lines, fits, i, behind, AS_DEEP * deepest)
            count += 1
        i = behind if deepest > 0.0 else i + 1
    return found[:count]


def without_lids(
    lines: NDArray[np.int64], stretches: NDArray[np.int64], lids: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Lines, the stretch of each, and stretches, of which one ends before each lid and one begins behind."""
    first, last = np.r_[stretches[:, 0], lids[:, 1]], np.r_[stretches[:, 1], lids[:, 0]]
    apart = np.column_stack((np.sort(first), np.sort(last)))
    owner = np.searchsorted(apart[:, 0], lines[:, 0], side="right") - 1
    inside = lines[:, 1] <= apart[owner, 1]
    return lines[inside], owner[inside], apart
