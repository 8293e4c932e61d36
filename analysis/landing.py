"""How long the fast phases of one eye take to settle: what strays from the slow phases behind them.

Some fast phases end in a long, soft landing or swing over and back. Each is too little to be seen in noise;
over all beats of an eye it shows, and bends the slow phases behind them.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

STEP = 0.1  # of a fast phase's duration: how finely the landing is looked at
STEPS = 12  # such steps at most; beyond, it is no landing but the slow phase's own course
LANDED = 2.5  # standard errors of that difference within which an eye has settled (chosen on invented traces)
LEAST = 0.001  # share of the movement: less does not matter (design choice)


def landing_share(
    t: NDArray[np.float64],
    x: NDArray[np.float64],
    noise: NDArray[np.float64],
    fast: NDArray[np.void],
    spans_s: tuple[NDArray[np.float64], NDArray[np.float64]],
    velocity_dps: NDArray[np.float64],
) -> float:
    """Share of their duration by which fast phases settle later than the slow phases in `spans_s` begin.

    `t` (n,), `x` (n, 3) positions, `noise` (3,); `fast` (k,) rows of STEP_DTYPE, each with the slow phase
    before it: `spans_s` start and end (k,), at one time where it does not count, `velocity_dps` (k, 3). A
    curved slow phase strays from its line at both ends alike, a landing only at its start: what counts is by
    how much the start strays more.
    """
    if fast.size < 2:
        return 0.0
    size = fast["step_deg"][:-1]
    lasts_s = (fast["end_s"] - fast["start_s"])[:-1]
    sums = _strays(
        t, x, np.maximum(noise, 1e-9), size, lasts_s, spans_s[0][1:], spans_s[1][1:], velocity_dps[1:]
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        share, error = sums[0] / sums[1], 1.0 / np.sqrt(sums[1])
        strays = (np.abs(share) > LANDED * error * np.sqrt(2.0)) & (np.abs(share) > LEAST)
    strays &= np.sign(share) == np.sign(share[0])
    return STEP * float(np.argmin(np.r_[strays, False]))


@njit(cache=True, nogil=True, fastmath=False)
def _strays(
    t: NDArray[np.float64],
    x: NDArray[np.float64],
    noise: NDArray[np.float64],
    size: NDArray[np.float64],
    lasts_s: NDArray[np.float64],
    start_s: NDArray[np.float64],
    end_s: NDArray[np.float64],
    velocity: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Products of straying and movement, and squares of the movement, both over noise^2: (2, STEPS)."""
    sums = np.zeros((2, STEPS))
    for i in range(lasts_s.size):
        first, last = np.searchsorted(t, start_s[i], side="right"), np.searchsorted(t, end_s[i])
        step_s = STEP * lasts_s[i]
        if last - first < 6:
            continue
        for axis in range(3):
            n, st, sx = 0.0, 0.0, 0.0
            for k in range((first + last) // 2, last):
                if x[k, axis] == x[k, axis]:
                    n, st, sx = n + 1.0, st + t[k], sx + x[k, axis]
            slope, weight = velocity[i, axis], size[i, axis] / noise[axis] ** 2
            if n == 0.0 or slope != slope or not weight * size[i, axis] > 0.0:
                continue
            for k in range(first, last):
                if x[k, axis] != x[k, axis]:
                    continue
                rest = x[k, axis] - sx / n - slope * (t[k] - st / n)
                after, before = (t[k] - start_s[i]) / step_s, (end_s[i] - t[k]) / step_s
                if after < min(STEPS, before):
                    sums[0, int(after)] += weight * rest
                    sums[1, int(after)] += weight * size[i, axis]
                elif before < min(STEPS, after):
                    sums[0, int(before)] -= weight * rest
    return sums
