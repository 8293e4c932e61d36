"""The slope of a slow phase: a robust straight line with an honest standard error."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Residuals beyond this many SDs count nothing; 95 % efficient (Beaton & Tukey 1974, from memory).
TUKEY = 4.685
TO_SD = 1.4826  # median absolute deviation to standard deviation, normal noise
ROUNDS = 6
START = 24  # about as many samples, evenly drawn, give the first guess of the line and of the scatter


@njit(cache=True, nogil=True, fastmath=False)
def slope_and_error(
    time_s: NDArray[np.float64], position_deg: NDArray[np.float64], noise_deg: float, correlation: float
) -> tuple[float, float]:
    """Slope of a straight line through one axis of a slow phase, and its standard error, in deg/s.

    Model: x(t) = a + b t, fitted by reweighted least squares (Tukey's bisquare, started from the median of
    pairwise slopes), so that a few samples of a quick phase or a glint do not pull it.
    `time_s`, `position_deg` (n,), NaN left out; `noise_deg` is the usual noise of this trace: a handful of
    samples that happen to lie on a line is not believed to be better than that. `correlation` (0 to below 1)
    is that of neighbouring residuals; noise which is not white widens the error by sqrt((1 + r) / (1 - r)).
    Fewer than three samples, or all at one instant, give (NaN, NaN).
    """
    good = np.isfinite(position_deg)
    t = time_s[good]
    x = position_deg[good]
    n = t.size
    if n < 3 or t[-1] <= t[0]:
        return np.nan, np.nan
    t = t - t.mean()
    some_t, some_x = t[:: max(1, n // START)].copy(), x[:: max(1, n // START)].copy()
    slope = _spread_slope(some_t, some_x)
    offset = np.median(some_x - slope * some_t)
    rest = np.median(np.abs(some_x - offset - slope * some_t)) * np.sqrt(some_t.size / (some_t.size - 2.0))
    scale = max(TO_SD * rest, noise_deg, 1e-9)
    used, spread, own = 0.0, 0.0, 0.0
    for _ in range(ROUNDS):
        old = slope
        offset, slope, used, spread, own = _reweighted(t, x, offset, slope, TUKEY * scale)
        if abs(slope - old) * (t[-1] - t[0]) < 1e-3 * scale:
            break
    inflation = np.sqrt((1.0 + correlation) / (1.0 - correlation))
    own = np.sqrt(own / max(used - 2.0, 1.0))
    return slope, max(own, noise_deg) * inflation / np.sqrt(spread)


@njit(cache=True, nogil=True, fastmath=False)
def _reweighted(
    t: NDArray[np.float64], x: NDArray[np.float64], offset: float, slope: float, limit: float
) -> tuple[float, float, float, float, float]:
    """One round: offset, slope, sum of weights, weighted spread of the times, weighted squares left over."""
    w, wt, wx, wtt, wtx, wxx = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(t.size):
        u = (x[k] - offset - slope * t[k]) / limit
        if abs(u) < 1.0:
            weight = (1.0 - u * u) ** 2
            y = x[k] - offset
            w, wt, wx = w + weight, wt + weight * t[k], wx + weight * y
            wtt, wtx, wxx = wtt + weight * t[k] * t[k], wtx + weight * t[k] * y, wxx + weight * y * y
    spread = wtt - wt * wt / w
    along = wtx - wt * wx / w
    new = along / spread
    rest = max(wxx - wx * wx / w - new * along, 0.0)
    return offset + (wx - new * wt) / w, new, w, spread, rest


@njit(cache=True, nogil=True, fastmath=False)
def _spread_slope(t: NDArray[np.float64], x: NDArray[np.float64]) -> float:
    """Median of the slopes over half the stretch: (x[i + n/2] - x[i]) / (t[i + n/2] - t[i])."""
    half = t.size // 2
    slopes = np.empty(t.size - half)
    for i in range(slopes.size):
        slopes[i] = (x[i + half] - x[i]) / (t[i + half] - t[i])
    return np.median(slopes)
