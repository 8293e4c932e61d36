"""The fits under `analysis.steps`, compiled: lines before and after a jump, and what lies between them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

RAW_DTYPE = np.dtype(
    [
        ("step_deg", "<f8", (3,)),
        ("slow_dps", "<f8", (3,)),
        ("measured", "u1", (3,)),  # 0: an axis without a line before or after; its step is 0
        ("strength", "<f8"),
        ("middle_s", "<f8"),
        ("quarters_s", "<f8"),  # time from a quarter to three quarters of the step
        ("gap_share", "<f8"),
        ("closing_hz", "<f8"),  # how fast the lines before and after close, in shares of the step
        ("fastest", "<f8"),
        ("core_s", "<f8", (2,)),  # from when to when the movement was fast
    ]
)
SURE = 3.0  # SDs of a difference, or of a slope, that noise does not reach
CORE_S = 0.006  # speed within a movement is taken over this time and at least two frames
CORE_SHARE = 0.2  # of the greatest speed: there the core begins and ends
USUAL_BEND = 20.0  # deg/s^2, half the acceleration of smooth eye movement, SD (design choice: pursuit of
# 10 deg at 0.3 Hz reaches an acceleration of 36)
USUAL_TWIST = 1.5  # deg/s^3, a sixth of the change of that acceleration, SD (chosen on simulated pursuit)
SHORTEST_LINE_S = 0.045  # samples that span less give no slope of their own (design choice)


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

    `out`: value at `at_s`, slope, variance factors of both; then what the line makes of (t - at_s)^2: value
    and slope there, squares left over, and their product with x.
    """
    n, st, sz, sx = 0.0, 0.0, 0.0, 0.0
    for k in range(first, last + 1):
        if x[k] == x[k]:
            d = t[k] - at_s
            n, st, sz, sx = n + 1.0, st + d, sz + d * d, sx + x[k]
    for k in range(out.size):
        out[k] = 0.0
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
def _bend(line: NDArray[np.float64], noise: float, twist_deg: float, step: NDArray[np.float64]) -> None:
    """`step` on one axis: size, variance, change of slope, for lines bent alike before and after.

    A smooth movement that gains speed would look like a step wherever the lines before and after differ in
    length; how much it bends is estimated from both, drawn toward none. `twist_deg` is what a bend that
    changes may add.
    """
    before, after = line[0], line[1]
    weight = before[6] + after[6] + (noise / USUAL_BEND) ** 2
    bend = (before[7] + after[7]) / weight
    lever = after[4] - before[4]
    step[0] = after[0] - before[0] - bend * lever
    step[1] = noise**2 * (before[2] + after[2] + lever**2 / weight) + twist_deg**2
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
    for k in range(out.size):
        out[k] = 0.0
    out[2] = np.inf
    if n > 0.0 and other[2] < np.inf:
        out[0], out[1] = (sx - other[1] * st) / n, other[1]
        out[2] = 1.0 / n + other[3] * (st / n) ** 2
        out[4], out[5] = other[4], other[5]


@njit(cache=True, nogil=True, fastmath=False)
def measure(
    t: NDArray[np.float64],
    x: NDArray[np.float64],
    steady: NDArray[np.float64],
    noises: NDArray[np.float64],
    proposals: NDArray[np.int64],
    interval_s: float,
    window_s: float,
    out: NDArray[np.void],
) -> NDArray[np.void]:
    """Fill in `out` and return it. Where the step is halfway is only known after it was measured: twice."""
    line = np.zeros((2, 3, 8))  # before and after, axis, what `_line` says
    step = np.zeros((3, 3))  # axis, what `_bend` says
    for i in range(len(proposals)):
        noise = noises[i]
        b, a, low, high = proposals[i]
        while t[b] - t[low] > window_s:
            low += 1
        while t[high] - t[a] > window_s:
            high -= 1
        out[i]["middle_s"] = 0.5 * (t[b] + t[a])
        for _ in range(2):
            at = out[i]["middle_s"]
            for axis in range(3):
                _line(t, steady[:, axis], low, b, at, line[0, axis])
                if t[high] - t[a] < SHORTEST_LINE_S:
                    _parallel(t, x[:, axis], a, high, at, line[0, axis], line[1, axis])
                else:
                    _line(t, steady[:, axis], a, high, at, line[1, axis])
            twist_deg = USUAL_TWIST * 0.2 * ((at - t[low]) ** 3 + (t[high] - at) ** 3)
            _step(line, noise, twist_deg, step, out[i])
            _time(t, x, noise, line, out[i], b, a, low, high, at, interval_s)
            if out[i]["strength"] == 0.0:
                break
    return out


@njit(cache=True, nogil=True, fastmath=False)
def _step(
    line: NDArray[np.float64],
    noise: NDArray[np.float64],
    twist_deg: float,
    step: NDArray[np.float64],
    row: Any,
) -> None:
    """Fill in the step, how certain it is, and how fast the lines close along it (less one standard error).

    Where the eye only turned, the lines meet within the time of a jump; where it jumped, they stay apart.
    """
    strength, whole, change, doubt = 0.0, 0.0, 0.0, 0.0
    for axis in range(3):
        row["step_deg"][axis] = 0.0
        row["measured"][axis] = 0
        row["slow_dps"][axis] = 0.0
        if noise[axis] < np.inf and line[0, axis, 2] < np.inf and line[1, axis, 2] < np.inf:
            _bend(line[:, axis], noise[axis], twist_deg, step[axis])
            row["measured"][axis] = 1
            row["step_deg"][axis] = step[axis, 0]
            row["slow_dps"][axis] = 0.5 * (line[0, axis, 1] + line[1, axis, 1])
            strength += step[axis, 0] ** 2 / step[axis, 1]
            whole += step[axis, 0] ** 2 / noise[axis] ** 2
            change += step[axis, 0] * step[axis, 2] / noise[axis] ** 2
            doubt += step[axis, 0] ** 2 / noise[axis] ** 2 * (line[0, axis, 3] + line[1, axis, 3])
    row["strength"] = np.sqrt(strength)
    row["closing_hz"] = max(abs(change) - np.sqrt(doubt), 0.0) / whole if whole > 0.0 else 0.0


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
    row: Any,
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
            row["gap_share"] = max(row["gap_share"], progress[k] - progress[k - 1])
    if cross < 0:
        row["strength"] = 0.0
        return
    row["middle_s"] = _crossing(t[first:], progress, cross, 0.5)
    k = cross
    while k > 1 and progress[k - 1] > 0.25:
        k -= 1
    quarter = _crossing(t[first:], progress, k, 0.25)
    k = cross
    while k < progress.size - 1 and progress[k] < 0.75:
        k += 1
    row["quarters_s"] = _crossing(t[first:], progress, k, 0.75) - quarter
    row["fastest"], row["core_s"][0], row["core_s"][1] = _core(t[first:], progress)


@njit(cache=True, nogil=True, fastmath=False)
def _core(t: NDArray[np.float64], progress: NDArray[np.float64]) -> tuple[float, float, float]:
    """Greatest speed (shares of the step in a second), and from when to when it exceeds a part of that."""
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
    there still move, or are too few to tell: a falling lid's last samples before it hides the pupil may lie
    near each other by chance, so a slope as the jump's must be twice as steep as noise can make one there.
    """
    line = np.zeros((3, 8))
    for axis in range(3):
        _line(t, x[:, axis], first, before, t[last], line[axis])
    start, still = last, True
    while still and start > before + 1:
        k = start - 1
        for axis in range(3):
            if line[axis, 2] < np.inf and x[k, axis] == x[k, axis] and x[last, axis] == x[last, axis]:
                moved = x[k, axis] - x[last, axis] - line[axis, 1] * (t[k] - t[last])
                still = still and abs(moved) <= SURE * np.sqrt(2.0) * noise[axis]
        start = k if still else start
    rest = t[start : last + 1]
    jump_s, spread_s = t[start] - t[before], np.sqrt(((rest - rest.mean()) ** 2).sum())
    unsure = np.sqrt(2.0 / jump_s**2 + 1.0 / max(spread_s, 1e-9) ** 2)  # of both slopes, for noise of 1
    for axis in range(3):
        if abs(x[start, axis] - x[before, axis]) / jump_s > 2.0 * SURE * noise[axis] * unsure:
            return start
    return last
