"""The slope of a slow phase: a robust straight line with an honest standard error."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

TUKEY = (
    4.685  # residuals beyond this many SDs count nothing; 95 % efficient (Beaton & Tukey 1974, from memory)
)
TO_SD = 1.4826  # median absolute deviation to standard deviation, normal noise
ROUNDS = 6


def robust_slope(
    time_s: ArrayLike, position_deg: ArrayLike, noise_deg: float = 0.0, correlation: float = 0.0
) -> tuple[float, float]:
    """Slope of a straight line through one axis of a slow phase, and its standard error, in deg/s.

    Model: x(t) = a + b t, fitted by reweighted least squares (Tukey's bisquare, started from the median of
    pairwise slopes), so that a few samples of a quick phase or a glint do not pull it.
    `time_s`, `position_deg` (n,); `noise_deg` is the usual noise of this trace: a handful of samples that
    happen to lie on a line is not believed to be better than that. `correlation` (0 to below 1) is that of
    neighbouring residuals; noise which is not white widens the error by sqrt((1 + r) / (1 - r)).
    Fewer than three samples, or all at one instant, give (NaN, NaN).

    >>> robust_slope([0.0, 0.1, 0.2, 0.3, 0.4], [2.0, 1.2, 0.4, -0.4, -1.2])
    (-8.0, 0.0)
    """
    time = np.asarray(time_s, dtype=np.float64)
    position = np.asarray(position_deg, dtype=np.float64)
    if time.ndim != 1 or time.shape != position.shape:
        raise ValueError(f"position_deg must have the shape of time_s {time.shape}, got {position.shape}")
    if not 0.0 <= correlation < 1.0:
        raise ValueError(f"correlation must lie in [0, 1), got {correlation}")
    slope, error = slope_and_error(time, position, noise_deg, correlation)
    return float(slope), float(error)


@njit(cache=True, nogil=True, fastmath=False)
def slope_and_error(
    time_s: NDArray[np.float64], position_deg: NDArray[np.float64], noise_deg: float, correlation: float
) -> tuple[float, float]:
    """Compiled body of `robust_slope`; samples that are NaN are left out."""
    good = np.isfinite(position_deg)
    t = time_s[good]
    x = position_deg[good]
    n = t.size
    if n < 3 or t[-1] <= t[0]:
        return np.nan, np.nan
    t = t - t.mean()
    slope = _spread_slope(t, x)
    offset = np.median(x - slope * t)
    scale = max(TO_SD * np.median(np.abs(x - offset - slope * t)) * np.sqrt(n / (n - 2)), noise_deg, 1e-9)
    weight = np.ones(n)
    for _ in range(ROUNDS):
        u = (x - offset - slope * t) / (TUKEY * scale)
        weight = np.where(np.abs(u) < 1.0, (1.0 - u * u) ** 2, 0.0)
        total = weight.sum()
        middle = (weight * t).sum() / total
        spread = (weight * (t - middle) ** 2).sum()
        slope = (weight * (t - middle) * x).sum() / spread
        offset = (weight * x).sum() / total - slope * middle
    rest = x - offset - slope * t
    used = weight.sum()
    own = np.sqrt((weight * rest * rest).sum() / max(used - 2.0, 1.0))
    inflation = np.sqrt((1.0 + correlation) / (1.0 - correlation))
    middle = (weight * t).sum() / used
    spread = (weight * (t - middle) ** 2).sum()
    return slope, max(own, noise_deg) * inflation / np.sqrt(spread)


@njit(cache=True, nogil=True, fastmath=False)
def _spread_slope(t: NDArray[np.float64], x: NDArray[np.float64]) -> float:
    """Median of the slopes over half the stretch: (x[i + n/2] - x[i]) / (t[i + n/2] - t[i])."""
    half = t.size // 2
    slopes = np.empty(t.size - half)
    for i in range(slopes.size):
        slopes[i] = (x[i + half] - x[i]) / (t[i + half] - t[i])
    return np.median(slopes)
