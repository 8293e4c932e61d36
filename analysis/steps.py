"""One fast movement measured: how large, how certain, when it began and ended.

Before and after it the eye moves along straight lines, fitted to the samples within a window on each side.
The step is the distance between the two lines. How far the movement has come at each sample (0 before, 1
after) is that sample's share of the step; where it passes a quarter, a half and three quarters gives its
middle and, with the smooth speed profile of a saccade, its start and end.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

STEP_DTYPE = np.dtype(
    [
        ("start_s", "<f8"),
        ("middle_s", "<f8"),  # half of the step is done
        ("end_s", "<f8"),
        ("measured_s", "<f8"),  # duration from its own samples; NaN where frames are too far apart for it
        ("usual_s", "<f8"),  # duration that the main sequence gives for its size
        ("fastest", "<f8"),  # greatest speed along the step, as a share of the step in a second
        ("amplitude_deg", "<f8", (3,)),  # from start to end
        ("step_deg", "<f8", (3,)),  # at the middle, between the lines before and after: free of slow movement
        ("slow_dps", "<f8", (3,)),  # mean of the slow velocities before and after
        ("strength", "<f8"),  # step over its standard error, all axes together
        ("gap_share", "<f8"),  # largest share of the step that happened where a frame is missing
        ("least_gap", "<f8"),  # between the lines at the ends of the jump, share of the step: 1 if parallel
        ("before", "<i8"),  # last sample before, first after: index into the valid samples
        ("after", "<i8"),
    ]
)
CORE_S = 0.006  # speed within a movement is taken over this time and at least two frames
CORE_SHARE = 0.2  # of the greatest speed: there the core begins and ends
CORE_OF_DURATION = 0.744  # its part of a minimum-jerk movement: u^2 (1 - u)^2 = 0.2 / 16
USUAL_BEND = 20.0  # deg/s^2, half the acceleration of smooth eye movement, SD (design choice: pursuit of
# 10 deg at 0.3 Hz reaches an acceleration of 36)
SHORTEST_LINE_S = 0.045  # samples that span less give no slope of their own (design choice)
_RAW = np.dtype(
    [
        ("step_deg", "<f8", (3,)),
        ("slow_dps", "<f8", (3,)),
        ("strength", "<f8"),
        ("middle_s", "<f8"),
        ("quarters_s", "<f8"),  # time from a quarter to three quarters of the step
        ("gap_share", "<f8"),
        ("closing_hz", "<f8"),  # how fast the lines before and after close, in shares of the step
        ("fastest", "<f8"),
        ("core_s", "<f8", (2,)),  # from when to when the movement was fast
    ]
)
QUARTERS_OF_DURATION = (
    0.2812  # from 1/4 to 3/4 of the way, of the duration of a minimum-jerk movement: solves
)
# 10 u^3 - 15 u^4 + 6 u^5 = 1/4 (Flash & Hogan, J Neurosci 1985;5:1688-1703, from memory)


def saccade_duration_s(amplitude_deg: NDArray[np.float64], torsion_share: NDArray[np.float64]):
    """Usual duration of a fast movement: 37 ms + 2.7 ms a degree (Baloh 1975, as in clinical 9.4).

    `torsion_share` (0 to 1) is torsion's part of the amplitude; torsional quick phases reach about 0.6 of the
    speed of others (from memory), so they last longer.
    """
    return (0.037 + 0.0027 * amplitude_deg) * (1.0 + torsion_share * (1.0 / 0.6 - 1.0))


def _usual_s(
    size: NDArray[np.float64], torsion: NDArray[np.float64], against_dps: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Usual duration of the eye's own part, size - against_dps * duration, of a step of this `size`."""
    own = np.maximum((size - 0.037 * against_dps) / (1.0 + 0.0027 * against_dps), 0.1 * size)
    return saccade_duration_s(own, torsion / np.maximum(size, 1e-9))


def _smooth_s(
    quarters_s: NDArray[np.float64], size: NDArray[np.float64], against_dps: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Duration D from the time between a quarter and three quarters of the step.

    That part of the step which undoes the slow movement, r = against_dps D / size, grows evenly, the rest
    smoothly: together the quarters are 0.5 D / ((1 - r) 0.5 / QUARTERS_OF_DURATION + r) apart.
    """
    steep = 0.5 / QUARTERS_OF_DURATION
    slower = 2.0 * (steep - 1.0) * quarters_s * against_dps / np.maximum(size, 1e-9)
    return 2.0 * steep * quarters_s / np.maximum(1.0 + slower, 0.5)


def too_slow(steps: NDArray[np.void], longest_share: float) -> NDArray[np.bool_]:
    """Whether a movement took longer than `longest_share` of the usual duration; false where not measured."""
    return steps["measured_s"] > longest_share * steps["usual_s"]


def as_fast_as_saccades(steps: NDArray[np.void]) -> NDArray[np.bool_]:
    """Whether a movement is as fast as a saccade of its size; true where that cannot be measured.

    A saccade of A deg lasts 21 ms + 2.2 ms a degree, up to 60 % longer (clinical 1.8), and its peak is about 1.6
    times its mean speed (clinical 9): the peak is at least A / (21 ms + 2.2 ms a degree).
    """
    size = np.linalg.norm(steps["step_deg"], axis=1)
    return np.isnan(steps["measured_s"]) | (steps["fastest"] >= 1.0 / (0.021 + 0.0022 * size))


def measure_steps(
    time_s: NDArray[np.float64],
    position_deg: NDArray[np.float64],
    steady_deg: NDArray[np.float64],
    noise_deg: NDArray[np.float64],
    correlation: NDArray[np.float64],
    proposals: NDArray[np.int64],
    interval_s: float,
    window_s: float,
) -> NDArray[np.void]:
    """Measure the fast movements at the places proposed.

    `time_s` (n,) and `position_deg` (n, 3), NaN only in the third column; `steady_deg` (n, 3) the same with
    NaN where a sample must not shape the lines; `noise_deg` (3,) SD of a sample, infinite for an axis that is
    not to be used, and `correlation` (3,) of neighbours, which widens the error of a line but not that of the
    way from one sample to the next; `proposals` (k, 4): last sample before, first sample after, first and last
    sample that the lines may use.
    Returns (k,) rows of STEP_DTYPE. A step that could not be measured has a strength of 0.
    """
    steps = np.zeros(len(proposals), STEP_DTYPE)
    wide_deg = noise_deg * np.sqrt((1 + correlation) / (1 - correlation))
    raw = _measure(
        time_s,
        position_deg,
        steady_deg,
        wide_deg,
        proposals,
        interval_s,
        window_s,
        np.zeros(len(proposals), _RAW),
    )
    for name in ("step_deg", "slow_dps", "strength", "middle_s", "gap_share", "fastest"):
        steps[name] = raw[name]
    steps["before"], steps["after"] = proposals[:, 0], proposals[:, 1]
    _set_times(steps, raw, noise_deg * np.sqrt(1 - correlation), interval_s)
    return steps


def _set_times(
    steps: NDArray[np.void], raw: NDArray[np.void], noise_deg: NDArray[np.float64], interval_s: float
) -> None:
    """Fill in start and end, and what follows from them.

    At a low rate or in noise the main sequence tells how long the movement was, centred on its middle. Where
    frames are closer and the step clearer its own quarters do, and where it stands far out of the noise the
    times between which it was fast: these heed no overshoot, and no drag before or after.
    """
    size = np.linalg.norm(steps["step_deg"], axis=1)
    against_dps = -(steps["slow_dps"] * steps["step_deg"]).sum(axis=1) / np.maximum(size, 1e-9)
    usual_s = _usual_s(size, np.abs(steps["step_deg"][:, 2]), against_dps)
    clear = np.linalg.norm(steps["step_deg"] / noise_deg, axis=1)
    close = np.clip(usual_s / interval_s / 2 - 1, 0, 1)  # none at 2 frames a movement, full at 4
    by_shape = close * np.clip(clear / 8 - 1, 0, 1)  # none at 8 noise SDs, full at 16
    closer = np.clip(usual_s / interval_s / 8 - 1, 0, 1)  # none at 8 frames, full at 16
    by_core = closer * np.clip(clear / 12 - 1, 0, 1)  # none at 12 noise SDs, full at 24
    shape_s = _smooth_s(raw["quarters_s"], size, against_dps)
    even = np.clip(against_dps * usual_s / np.maximum(size, 1e-9), 0, 1)
    long_s = np.ptp(raw["core_s"], axis=1) + interval_s - 0.5 * max(CORE_S, 2 * interval_s)
    fast_s = long_s / (CORE_OF_DURATION + (1 - CORE_OF_DURATION) * even)
    duration_s = np.clip(by_shape * shape_s + (1 - by_shape) * usual_s, 0.4 * usual_s, 2.5 * usual_s)
    duration_s = by_core * np.clip(fast_s, 0.35 * usual_s, 2.5 * usual_s) + (1 - by_core) * duration_s
    middle_s = by_core * raw["core_s"].mean(axis=1) + (1 - by_core) * steps["middle_s"]
    steps["start_s"], steps["end_s"] = middle_s - duration_s / 2, middle_s + duration_s / 2
    steps["measured_s"] = np.where(by_shape > 0.5, duration_s, np.nan)
    steps["usual_s"] = usual_s
    steps["least_gap"] = 1.0 - 0.5 * raw["closing_hz"] * np.maximum(duration_s, 2 * interval_s)
    steps["amplitude_deg"] = steps["step_deg"] + steps["slow_dps"] * duration_s[:, None]


@njit(cache=True, nogil=True, fastmath=False)
def _line(
    t: NDArray[np.float64],
    x: NDArray[np.float64],
    first: int,
    last: int,
    at_s: float,
    out: NDArray[np.float64],
) -> None:
    """Least squares through samples first..last.

    `out`: value at `at_s`, slope, variance factors of both; then what the line makes of (t - at_s)^2: value and
    slope there, squares left over, and their product with x.
    """
    n, st, sz, sx = 0.0, 0.0, 0.0, 0.0
    for k in range(first, last + 1):
        if x[k] == x[k]:
            d = t[k] - at_s
            n, st, sz, sx = n + 1.0, st + d, sz + d * d, sx + x[k]
    out[:] = 0.0
    out[2] = np.inf
    if n < 3.0:
        return
    mt, mz, mx = st / n, sz / n, sx / n
    stt, stx, stz, szz, szx = 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(first, last + 1):
        if x[k] == x[k]:
            d = t[k] - at_s - mt
            z = (t[k] - at_s) ** 2 - mz
            stt, stx, stz = stt + d * d, stx + d * (x[k] - mx), stz + d * z
            szz, szx = szz + z * z, szx + z * (x[k] - mx)
    out[1], out[5] = stx / stt, stz / stt
    out[0], out[4] = mx - out[1] * mt, mz - out[5] * mt
    out[2], out[3] = 1.0 / n + mt * mt / stt, 1.0 / stt
    out[6], out[7] = szz - out[5] * stz, szx - out[5] * stx


@njit(cache=True, nogil=True, fastmath=False)
def _bend(line: NDArray[np.float64], noise: float, step: NDArray[np.float64]) -> None:
    """`step` on one axis: size, variance, change of slope, for lines bent alike before and after.

    A smooth movement that gains speed would look like a step wherever the lines before and after differ in
    length; how much it bends is estimated from both, drawn toward none.
    """
    before, after = line[0], line[1]
    weight = before[6] + after[6] + (noise / USUAL_BEND) ** 2
    bend = (before[7] + after[7]) / weight
    lever = after[4] - before[4]
    step[0] = after[0] - before[0] - bend * lever
    step[1] = noise**2 * (before[2] + after[2] + lever**2 / weight)
    step[2] = after[1] - before[1] - bend * (after[5] - before[5])


@njit(cache=True, nogil=True, fastmath=False)
def _parallel(
    t: NDArray[np.float64],
    x: NDArray[np.float64],
    first: int,
    last: int,
    at_s: float,
    other: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """A line with the slope of `other` through samples first..last, too few or too close for their own."""
    n, st, sx = 0.0, 0.0, 0.0
    for k in range(first, last + 1):
        if x[k] == x[k]:
            n, st, sx = n + 1.0, st + t[k] - at_s, sx + x[k]
    out[:] = 0.0
    out[2] = np.inf
    if n > 0.0 and other[2] < np.inf:
        out[0], out[1] = (sx - other[1] * st) / n, other[1]
        out[2] = 1.0 / n + other[3] * (st / n) ** 2
        out[4:6] = other[4:6]


@njit(cache=True, nogil=True, fastmath=False)
def _measure(
    t: NDArray[np.float64],
    x: NDArray[np.float64],
    steady: NDArray[np.float64],
    noise: NDArray[np.float64],
    proposals: NDArray[np.int64],
    interval_s: float,
    window_s: float,
    out: NDArray[np.void],
) -> NDArray[np.void]:
    """Fill in `out` and return it. Where the step is halfway is only known after it was measured: twice."""
    line = np.zeros((2, 3, 8))  # before and after, axis, what `_line` says
    step = np.zeros((3, 3))  # axis, what `_bend` says
    for i in range(len(proposals)):
        b, a, low, high = proposals[i]
        while t[b] - t[low] > window_s:
            low += 1
        while t[high] - t[a] > window_s:
            high -= 1
        out[i].middle_s = 0.5 * (t[b] + t[a])
        for _ in range(2):
            at = out[i].middle_s
            for axis in range(3):
                _line(t, steady[:, axis], low, b, at, line[0, axis])
                if t[high] - t[a] < SHORTEST_LINE_S:
                    _parallel(t, x[:, axis], a, high, at, line[0, axis], line[1, axis])
                else:
                    _line(t, steady[:, axis], a, high, at, line[1, axis])
            _step(line, noise, step, out[i])
            _time(t, x, noise, line, out[i], b, a, low, high, at, interval_s)
            if out[i].strength == 0.0:
                break
    return out


@njit(cache=True, nogil=True, fastmath=False)
def _step(
    line: NDArray[np.float64], noise: NDArray[np.float64], step: NDArray[np.float64], row: np.void
) -> None:
    """Fill in the step, how certain it is, and how fast the lines close along it (less one standard error).

    Where the eye only turned, the lines meet within the time of a jump; where it jumped, they stay apart.
    """
    strength, whole, change, doubt = 0.0, 0.0, 0.0, 0.0
    for axis in range(3):
        row.step_deg[axis] = 0.0
        row.slow_dps[axis] = 0.0
        if noise[axis] < np.inf and line[0, axis, 2] < np.inf and line[1, axis, 2] < np.inf:
            _bend(line[:, axis], noise[axis], step[axis])
            row.step_deg[axis] = step[axis, 0]
            row.slow_dps[axis] = 0.5 * (line[0, axis, 1] + line[1, axis, 1])
            strength += step[axis, 0] ** 2 / step[axis, 1]
            whole += step[axis, 0] ** 2 / noise[axis] ** 2
            change += step[axis, 0] * step[axis, 2] / noise[axis] ** 2
            doubt += step[axis, 0] ** 2 / noise[axis] ** 2 * (line[0, axis, 3] + line[1, axis, 3])
    row.strength = np.sqrt(strength)
    row.closing_hz = max(abs(change) - np.sqrt(doubt), 0.0) / whole if whole > 0.0 else 0.0


@njit(cache=True, nogil=True, fastmath=False)
def _progress(
    t: float, x: NDArray[np.float64], noise: NDArray[np.float64], line: NDArray[np.float64], at: float
) -> float:
    """Share of the step that is done, 0 before and 1 after, beside the mean of both slow velocities."""
    along, whole = 0.0, 0.0
    for axis in range(3):
        if line[0, axis, 2] < np.inf and line[1, axis, 2] < np.inf and x[axis] == x[axis]:
            step = line[1, axis, 0] - line[0, axis, 0]
            weight = step / noise[axis] ** 2
            slope = 0.5 * (line[0, axis, 1] + line[1, axis, 1])
            along += weight * (x[axis] - line[0, axis, 0] - slope * (t - at))
            whole += weight * step
    return along / whole if whole > 0.0 else 0.0


@njit(cache=True, nogil=True, fastmath=False)
def _time(
    t: NDArray[np.float64],
    x: NDArray[np.float64],
    noise: NDArray[np.float64],
    line: NDArray[np.float64],
    row: np.void,
    b: int,
    a: int,
    low: int,
    high: int,
    at: float,
    interval_s: float,
) -> None:
    """Fill in the middle, the time from quarter to quarter, and the largest share across a missing frame."""
    first, last = max(b - 1, low), min(a + 1, high)
    while first > low and t[b] - t[first] < 0.02:
        first -= 1
    while last < high and t[last] - t[a] < 0.02:
        last += 1
    progress = np.empty(last - first + 1)
    cross = -1
    for k in range(progress.size):
        progress[k] = _progress(t[first + k], x[first + k], noise, line, at)
        if k > 0 and progress[k - 1] < 0.5 <= progress[k]:
            m = 0.5 * (t[first + k] + t[first + k - 1])
            if cross < 0 or abs(m - at) < abs(0.5 * (t[first + cross] + t[first + cross - 1]) - at):
                cross = k
        if k > 0 and t[first + k] - t[first + k - 1] > 1.5 * interval_s:
            row.gap_share = max(row.gap_share, progress[k] - progress[k - 1])
    if cross < 0:
        row.strength = 0.0
        return
    row.middle_s = _crossing(t[first:], progress, cross, 0.5)
    k = cross
    while k > 1 and progress[k - 1] > 0.25:
        k -= 1
    quarter = _crossing(t[first:], progress, k, 0.25)
    k = cross
    while k < progress.size - 1 and progress[k] < 0.75:
        k += 1
    row.quarters_s = _crossing(t[first:], progress, k, 0.75) - quarter
    row.fastest, row.core_s[0], row.core_s[1] = _core(t[first:], progress)


@njit(cache=True, nogil=True, fastmath=False)
def _core(t: NDArray[np.float64], progress: NDArray[np.float64]) -> tuple[float, float, float]:
    """Greatest speed (shares of the step in a second), and from when to when it stays above a fifth of that."""
    n = progress.size
    speed, middle = np.zeros(n), np.zeros(n)
    count, best = 0, 0
    for k in range(n):
        m = k + 2
        while m < n and t[m] - t[k] < CORE_S:
            m += 1
        if m < n:
            speed[k] = (progress[m] - progress[k]) / (t[m] - t[k])
            middle[k] = 0.5 * (t[m] + t[k])
            best = k if speed[k] > speed[best] else best
            count = k + 1
    start, end = best, best
    while start > 0 and speed[start - 1] > CORE_SHARE * speed[best]:
        start -= 1
    while end < count - 1 and speed[end + 1] > CORE_SHARE * speed[best]:
        end += 1
    return speed[best], middle[start], middle[end]


@njit(cache=True, nogil=True, fastmath=False)
def _crossing(t: NDArray[np.float64], progress: NDArray[np.float64], k: int, level: float) -> float:
    """Time between samples k - 1 and k where the progress passes `level`, by a straight line."""
    rise = progress[k] - progress[k - 1]
    share = (level - progress[k - 1]) / rise if rise > 0.0 else 0.5
    return t[k - 1] + min(max(share, 0.0), 1.0) * (t[k] - t[k - 1])


@njit(cache=True, nogil=True, fastmath=False)
def plateau(
    t: NDArray[np.float64],
    x: NDArray[np.float64],
    noise: NDArray[np.float64],
    first: int,
    before: int,
    last: int,
) -> int:
    """First sample of the last few (`before` + 1 to `last`) that run parallel to the line first..before.

    Where a stretch ends soon after a jump there is no line after it, only this. Returns `last` if the samples
    there still move.
    """
    line = np.zeros((3, 8))
    for axis in range(3):
        _line(t, x[:, axis], first, before, t[last], line[axis])
    start = last
    for k in range(last - 1, before, -1):
        for axis in range(3):
            if line[axis, 2] < np.inf and x[k, axis] == x[k, axis] and x[last, axis] == x[last, axis]:
                moved = x[k, axis] - x[last, axis] - line[axis, 1] * (t[k] - t[last])
                if abs(moved) > 3.0 * np.sqrt(2.0) * noise[axis]:
                    return start
        start = k
    return start
