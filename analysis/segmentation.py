"""The best chain of straight lines with jumps between them: the backbone under slow and quick phases.

A stretch of eye movement is slow phases (straight lines on all axes at once, joined to nothing) with quick
phases between them. The chain with the least cost is found exactly by dynamic programming with pruning:

    cost = sum over lines of squared residuals / noise^2
         + `jump_cost` for each change of line + `skip_cost` for each sample between two lines

There is no velocity threshold: a jump pays when one line cannot explain both sides. Starts before the
earliest one that can still be part of the best chain are not looked at again: optimal partitioning with
pruning, Killick, Fearnhead, Eckley, J Am Stat Assoc 2012;107:1590-1598 (from memory).
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

_SUMS = 13  # t, tt, h, th, v, tv, hh + vv of both directions; n, t, tt, r, tr, rr of the torsion
_FRESH = 256  # samples after which sums begin anew, at least: far from their origin they would round


@njit(cache=True, nogil=True, fastmath=False)
def _add(
    sums: NDArray[np.float64], k: int, origin: int, time_s: NDArray[np.float64], x: NDArray[np.float64]
) -> None:
    """Set the sums before sample `k + 1` to those before `k` and sample `k`, counted from sample `origin`."""
    for n in range(_SUMS):
        sums[n, k + 1] = sums[n, k]
    t, r = time_s[k] - time_s[origin], x[k, 2]
    h, v = x[k, 0] - x[origin, 0], x[k, 1] - x[origin, 1]
    sums[0, k + 1] += t
    sums[1, k + 1] += t * t
    sums[2, k + 1] += h
    sums[3, k + 1] += t * h
    sums[4, k + 1] += v
    sums[5, k + 1] += t * v
    sums[6, k + 1] += h * h + v * v
    if r == r:  # torsion may be missing
        sums[7, k + 1] += 1.0
        sums[8, k + 1] += t
        sums[9, k + 1] += t * t
        sums[10, k + 1] += r
        sums[11, k + 1] += t * r
        sums[12, k + 1] += r * r


@njit(cache=True, nogil=True, fastmath=False, error_model="numpy")
def _costs(
    sums: NDArray[np.float64],
    first: int,
    last: int,
    k: int,
    starts: NDArray[np.float64],
    costs: NDArray[np.float64],
) -> None:
    """Set `costs` of the lines that start at the samples `first` to `last` and end at `k`.

    Two plain loops over neighbours in memory, which the compiler works out several at a time.
    """
    before, cost = starts[first : last + 1], costs[first : last + 1]
    s = sums[:, k + 1]
    t, tt, q = sums[0, first : last + 1], sums[1, first : last + 1], sums[6, first : last + 1]
    h, th = sums[2, first : last + 1], sums[3, first : last + 1]
    v, tv = sums[4, first : last + 1], sums[5, first : last + 1]
    s0, s1, s2, s3, s4, s5, s6 = s[0], s[1], s[2], s[3], s[4], s[5], s[6]
    longest = float(k - first + 1)
    for i in range(cost.size):
        each = 1.0 / (longest - i)
        st, sh, sv = s0 - t[i], s2 - h[i], s4 - v[i]
        along_h, along_v = s3 - th[i] - st * sh * each, s5 - tv[i] - st * sv * each
        slope = (along_h * along_h + along_v * along_v) / (s1 - tt[i] - st * st * each)
        cost[i] = before[i] + (s6 - q[i] - (sh * sh + sv * sv) * each - slope)
    n, t, tt = sums[7, first : last + 1], sums[8, first : last + 1], sums[9, first : last + 1]
    r, tr, rr = sums[10, first : last + 1], sums[11, first : last + 1], sums[12, first : last + 1]
    s0, s1, s2, s3, s4, s5 = s[7], s[8], s[9], s[10], s[11], s[12]
    for i in range(cost.size):
        enough = s0 - n[i] >= 3.0
        each = 1.0 / (s0 - n[i] if enough else 1.0)
        st, sr = s1 - t[i], s3 - r[i]
        along = s4 - tr[i] - st * sr * each
        spread = s2 - tt[i] - st * st * each if enough else 1.0
        cost[i] += s5 - rr[i] - sr * sr * each - along * along / spread if enough else 0.0


@njit(cache=True, nogil=True, fastmath=False)
def segment(
    time_s: NDArray[np.float64],
    x: NDArray[np.float64],
    jump_cost: float,
    skip_cost: float,
    longest_jump_s: float,
    longest_line_s: float,
    fewest: int,
) -> NDArray[np.int64]:
    """Find the chain of lines with the least cost.

    `time_s` (n,) increasing; `x` (n, 3) positions over their noise, the third column may hold NaN; lines hold
    at least `fewest` samples (2 or more) and last at most `longest_line_s`; samples between two span at most
    `longest_jump_s`, and so do those before the first and after the last line. Returns (k, 2): first and last
    sample of each line, in order; none where `n` is below `fewest`.
    """
    n = time_s.size
    ends = np.full(n, np.inf)  # least cost of a chain whose last line ends at this sample
    starts = np.full(n, np.inf)  # least cost of everything before a line that starts here
    line_start = np.full(n, -1)
    line_before = np.full(n, -1)  # end of the line before the one that starts here
    costs = np.empty(n)  # of a chain whose last line starts at this sample
    sums = np.zeros((_SUMS, n + 1))  # of the samples from `origin` up to the one before
    first, origin = 0, 0  # `first`: the earliest start of a line that is still worth following
    for k in range(n):
        _open_line(k, time_s, ends, starts, line_before, jump_cost, skip_cost, longest_jump_s)
        if k - origin >= _FRESH + 2 * (k - first):
            origin = first
            sums[:, origin] = 0.0
            for i in range(origin, k):
                _add(sums, i, origin, time_s, x)
        _add(sums, k, origin, time_s, x)
        last = k - fewest + 1
        if last < first:
            continue
        _costs(sums, first, last, k, starts, costs)
        for j in range(first, last + 1):
            if costs[j] < ends[k]:
                ends[k], line_start[k] = costs[j], j
        oldest_s, dearest = time_s[k] - longest_line_s, ends[k] + jump_cost
        while first <= last and (time_s[first] < oldest_s or costs[first] > dearest):
            first += 1
    return _trace_back(time_s, ends, line_start, line_before, skip_cost, longest_jump_s)


@njit(cache=True, nogil=True, fastmath=False)
def _open_line(
    k: int,
    time_s: NDArray[np.float64],
    ends: NDArray[np.float64],
    starts: NDArray[np.float64],
    line_before: NDArray[np.int64],
    jump_cost: float,
    skip_cost: float,
    longest_jump_s: float,
) -> None:
    """Work out the least cost of everything before a line that starts at sample `k`."""
    if time_s[k] - time_s[0] <= longest_jump_s:
        starts[k] = k * skip_cost  # as the first line of the chain
    i = k - 1
    while i >= 0 and (i == k - 1 or time_s[k] - time_s[i] <= longest_jump_s):
        cost = ends[i] + jump_cost + (k - i - 1) * skip_cost
        if cost < starts[k]:
            starts[k], line_before[k] = cost, i
        i -= 1


@njit(cache=True, nogil=True, fastmath=False)
def _trace_back(
    time_s: NDArray[np.float64],
    ends: NDArray[np.float64],
    line_start: NDArray[np.int64],
    line_before: NDArray[np.int64],
    skip_cost: float,
    longest_jump_s: float,
) -> NDArray[np.int64]:
    """Walk from the cheapest end of the chain back to its start."""
    n = ends.size
    last, best = -1, np.inf
    for k in range(n):
        cost = ends[k] + (n - 1 - k) * skip_cost
        if cost <= best and ends[k] < np.inf and time_s[n - 1] - time_s[k] <= longest_jump_s:
            last, best = k, cost
    lines = np.empty((n, 2), np.int64)
    count = 0
    while last >= 0:
        lines[count, 0], lines[count, 1] = line_start[last], last
        last = line_before[line_start[last]]
        count += 1
    return lines[:count][::-1].copy()


def average(
    time_s: NDArray[np.float64], position_deg: NDArray[np.float64], group: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Means of each `group` samples in a row, times (m,) and positions (m, 3); the last may hold fewer.

    Torsion that is missing (NaN) in some samples of a group is the mean of the others.
    """
    if group == 1:
        return time_s, position_deg
    starts = np.arange(0, time_s.size, group)
    known = np.isfinite(position_deg)
    count = np.add.reduceat(known.astype(np.float64), starts, axis=0)
    total = np.add.reduceat(np.where(known, position_deg, 0.0), starts, axis=0)
    position = np.where(count > 0, total / np.maximum(count, 1.0), np.nan)
    return np.add.reduceat(time_s - time_s[0], starts) / np.diff(np.r_[starts, time_s.size]) + time_s[
        0
    ], position


@njit(cache=True, nogil=True, fastmath=False)
def _fits(
    time_s: NDArray[np.float64], position: NDArray[np.float64], lines: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Mean time (k,), position then and slope (k, 3) of each line; NaN for an axis with under 3 samples."""
    at = np.zeros(len(lines))
    middle, slope = np.full((len(lines), 3), np.nan), np.full((len(lines), 3), np.nan)
    for i in range(len(lines)):
        first, last = lines[i]
        for k in range(first, last + 1):
            at[i] += time_s[k] - time_s[first]
        at[i] = time_s[first] + at[i] / (last - first + 1)
        for axis in range(3):
            n, st, sx = 0.0, 0.0, 0.0
            for k in range(first, last + 1):
                if position[k, axis] == position[k, axis]:
                    n, st, sx = n + 1.0, st + time_s[k] - at[i], sx + position[k, axis]
            if n >= 3.0:
                stt, stx = 0.0, 0.0
                for k in range(first, last + 1):
                    if position[k, axis] == position[k, axis]:
                        d = time_s[k] - at[i] - st / n
                        stt, stx = stt + d * d, stx + d * (position[k, axis] - sx / n)
                slope[i, axis] = stx / stt
                middle[i, axis] = sx / n - slope[i, axis] * st / n
    return at, middle, slope


@njit(cache=True, nogil=True, fastmath=False)
def residuals(
    time_s: NDArray[np.float64], position_deg: NDArray[np.float64], lines: NDArray[np.int64]
) -> NDArray[np.float64]:
    """What is left (n, 3) of each sample beside its own least-squares line, widened by sqrt(n / (n - 2)).

    `lines` (k, 2) first and last sample. NaN outside lines and where a line holds fewer than four samples.
    """
    rest = np.full(position_deg.shape, np.nan)
    at, middle, slope = _fits(time_s, position_deg, lines)
    for i in range(len(lines)):
        first, last = lines[i]
        for axis in range(3):
            n = 0
            for k in range(first, last + 1):
                n += position_deg[k, axis] == position_deg[k, axis]
            if n < 4:
                continue
            wider = np.sqrt(n / (n - 2.0))
            for k in range(first, last + 1):
                on_line = middle[i, axis] + slope[i, axis] * (time_s[k] - at[i])
                rest[k, axis] = (position_deg[k, axis] - on_line) * wider
    return rest


def without_quick_lines(
    time_s: NDArray[np.float64],
    position: NDArray[np.float64],
    lines: NDArray[np.int64],
    owner: NDArray[np.int64],
    longest_s: float,
) -> NDArray[np.bool_]:
    """Which lines to keep: not those that follow a long quick phase on its way.

    A line that lasts at most `longest_s` is such a one when it lies between the line before and the line
    after (an eye that jumps off and back is elsewhere) and alone covers half of the step from one to the
    other, beyond what the faster of these would. Not if it goes back along a faster such neighbour: it is a
    short slow phase between two quick ones then. `position` (n, 3) over its noise.
    """
    at, middle, slope = _fits(time_s, position, lines)
    step = middle[2:] - middle[:-2] - slope[2:] * (at[2:] - at[1:-1])[:, None]
    step = np.nan_to_num(step + slope[:-2] * (at[:-2] - at[1:-1])[:, None])
    size = np.maximum(np.linalg.norm(step, axis=1), 1e-9)
    off = np.nan_to_num(middle[1:-1] - middle[:-2] - slope[:-2] * (at[1:-1] - at[:-2])[:, None])
    between = np.linalg.norm(off - step / 2, axis=1) <= size
    along = [(np.nan_to_num(part) * step).sum(axis=1) / size for part in (slope[:-2], slope[1:-1], slope[2:])]
    lasts_s = (time_s[lines[:, 1]] - time_s[lines[:, 0]])[1:-1]
    covered = (along[1] - np.maximum(along[0], along[2])) * lasts_s
    quick = between & (lasts_s <= longest_s) & (covered >= 0.5 * size) & (owner[2:] == owner[:-2])
    quick = np.r_[False, quick, False][: len(lines)]
    slope = np.nan_to_num(slope)
    speed = np.linalg.norm(slope, axis=1)
    opposed = quick[1:] & quick[:-1] & ((slope[1:] * slope[:-1]).sum(axis=1) < 0)
    slow = np.r_[False, opposed & (speed[1:] < speed[:-1])] | np.r_[opposed & (speed[:-1] < speed[1:]), False]
    return ~quick | slow


@njit(cache=True, nogil=True, fastmath=False)
def block_noise(
    position_deg: NDArray[np.float64], line: NDArray[np.int64], starts: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Median (k, 3) of the absolute second differences within lines, in each of k blocks; 0 without any.

    `line` (n,) which line each sample lies on, -1 for none; `starts` (k + 1,) first sample of each block, and
    the end of the last. About a hundred samples a block are looked at.
    """
    found = np.zeros((starts.size - 1, 3))
    for b in range(starts.size - 1):
        first, last = starts[b] + 1, starts[b + 1] - 1
        step = max(1, (last - first) // 100)
        for axis in range(3):
            bends = np.empty(max(last - first, 0))
            count = 0
            for k in range(first, last, step):
                bend = position_deg[k - 1, axis] - 2.0 * position_deg[k, axis] + position_deg[k + 1, axis]
                if line[k] >= 0 and line[k - 1] == line[k] and line[k + 1] == line[k] and bend == bend:
                    bends[count] = abs(bend)
                    count += 1
            if count > 0:
                found[b, axis] = np.median(bends[:count])
    return found
