"""The main sequence: how the peak velocity of saccades grows with their size, and saturates."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares
from scipy.special import stdtrit

from analysis.estimate import Estimate, are_numbers, error_of, must_be_finite, percent_of
from analysis.median_error import biweight_scatter

Floats = NDArray[np.float64]
REFERENCE_DPS, REFERENCE_DEG = 551.0, 14.0  # Baloh et al., Neurology 1975;25:1065-1070, from memory
LEAST_SACCADES = 8
LEAST_KEPT = 4  # of them, near the curve: two constants and their errors hang on them
LEAST_RATIO = 2.0  # of the largest to the smallest size: fewer tell nothing of the bend (design choice)
FREEDOM = 0.35  # of the saccades', that a sandwich estimate is worth (simulated)
LEAST_SCATTER_DPS = 1.0
SOFT_DPS = 10.0  # deviations beyond this pull less while strays are looked for (design choice)
LONGEST_HEIGHT = math.log(10)  # of an interval on a scale of ratios: beyond, nothing is known (design choice)
STRAY = 4.0  # scatters from the curve beyond which a saccade does not shape it (design choice)
FORMULA = "peak velocity = Vmax (1 - exp(-amplitude / C)), non-linear least squares"


def reference_velocity_dps(amplitude_deg: float) -> float:
    """Usual peak velocity of a saccade of this size, deg/s.

    >>> round(reference_velocity_dps(20.0), 1)
    419.0
    """
    return REFERENCE_DPS * (1 - math.exp(-abs(amplitude_deg) / REFERENCE_DEG))


@dataclass(frozen=True, slots=True)
class MainSequence:
    """A fitted curve; `covariance` (2, 2) of `vmax_dps` and `constant_deg`."""

    vmax_dps: float
    constant_deg: float
    covariance: Floats
    used: int
    smallest_deg: float
    largest_deg: float

    def velocity(self, amplitude_deg: float) -> Estimate:
        """Peak velocity at this amplitude, deg/s."""
        share = math.exp(-amplitude_deg / self.constant_deg)
        slope = np.array([1 - share, -self.vmax_dps * share * amplitude_deg / self.constant_deg**2])
        return self._estimate(self.vmax_dps * (1 - share), slope)

    def vmax(self) -> Estimate:
        """The velocity that the curve approaches, deg/s."""
        return self._estimate(self.vmax_dps, np.array([1.0, 0.0]))

    def constant(self) -> Estimate:
        """The amplitude at which 63 % of it are reached, deg."""
        return self._estimate(self.constant_deg, np.array([0.0, 1.0]))

    def _estimate(self, value: float, slope: Floats) -> Estimate:
        error = math.sqrt(max(float(slope @ self.covariance @ slope), 0.0))
        height = float(stdtrit(FREEDOM * (self.used - 2), 0.975)) * error / value
        reach = math.exp(height) if height < LONGEST_HEIGHT else math.inf  # a factor: never below 0
        return Estimate(value, error, (value / reach, value * reach))


def fit(amplitude_deg: ArrayLike, peak_velocity_dps: ArrayLike) -> MainSequence | str:
    """The main sequence of saccades (n,), sizes without sign; or why there is none.

    Errors heed that fast saccades scatter more (sandwich estimator). Raises ValueError for values that are
    not finite and above 0, or not as many.
    """
    size, peak = np.asarray(amplitude_deg, np.float64), np.asarray(peak_velocity_dps, np.float64)
    if size.ndim != 1 or size.shape != peak.shape:
        raise ValueError(f"peak_velocity_dps must have the shape of amplitude_deg {size.shape}")
    for name, values in (("amplitude_deg", size), ("peak_velocity_dps", peak)):
        if not are_numbers(values) or not np.all(values > 0):
            raise ValueError(f"{name} must be finite and above 0")
    if size.size < LEAST_SACCADES:
        return f"{size.size} saccade{'s' * (size.size != 1)} with a velocity, {LEAST_SACCADES} needed"
    if size.max() < LEAST_RATIO * size.min():
        return "the saccades are too much of one size"
    found = _solve(size, peak, np.array([REFERENCE_DPS, REFERENCE_DEG]), "soft_l1")
    rest = peak - _curve(found, size)
    near = np.abs(rest) <= STRAY * max(biweight_scatter(rest), LEAST_SCATTER_DPS)
    if np.count_nonzero(near) < LEAST_KEPT:
        return "the saccades do not lie about a curve"
    size, peak = size[near], peak[near]
    found = _solve(size, peak, found)
    if not 0.5 < found[1] < 2 * size.max():
        return "the saccades do not bend toward a greatest velocity"
    slopes = np.column_stack((1 - np.exp(-size / found[1]), _bend(found, size)))
    bread = np.linalg.inv(slopes.T @ slopes)
    leverage = np.einsum("ij,jk,ik->i", slopes, bread, slopes)
    rest = (peak - _curve(found, size)) / np.maximum(1 - leverage, 1e-3)
    meat = (slopes * rest[:, None]).T @ (slopes * rest[:, None])
    curve = MainSequence(
        float(found[0]),
        float(found[1]),
        bread @ meat @ bread,
        size.size,
        float(size.min()),
        float(size.max()),
    )
    return (
        curve if math.isfinite(curve.constant().interval[1]) else "the saccades scatter too much for a curve"
    )


def duration_line(amplitude_deg: ArrayLike, duration_s: ArrayLike) -> tuple[Estimate, Estimate] | str:
    """Duration of saccades (n,) = d0 + k amplitude: d0 in ms, k in ms / deg, least squares; or why not.

    Raises ValueError for values that are not finite, or not as many.

    >>> d0, k = duration_line([5.0, 10.0, 20.0] * 3, [0.032, 0.043, 0.065] * 3)
    >>> round(d0.value, 1), round(k.value, 2)
    (21.0, 2.2)
    """
    size, lasts_ms = np.asarray(amplitude_deg, np.float64), 1000 * np.asarray(duration_s, np.float64)
    if size.ndim != 1 or size.shape != lasts_ms.shape:
        raise ValueError(f"duration_s must have the shape of amplitude_deg {size.shape}")
    if not are_numbers(size, lasts_ms):
        raise ValueError("amplitude_deg and duration_s must be finite")
    if size.size < LEAST_SACCADES:
        return f"{size.size} saccade{'s' * (size.size != 1)} with a duration, {LEAST_SACCADES} needed"
    if size.max() < LEAST_RATIO * size.min():
        return "the saccades are too much of one size"
    columns = np.column_stack((np.ones(size.size), size))
    bread = np.linalg.inv(columns.T @ columns)
    found = bread @ columns.T @ lasts_ms
    rest = lasts_ms - columns @ found
    errors = np.sqrt(np.diag(bread) * float(rest @ rest) / (size.size - 2))
    reach = float(stdtrit(size.size - 2, 0.975)) * errors
    d0, k = (Estimate(v, e, (v - r, v + r)) for v, e, r in np.column_stack((found, errors, reach)).tolist())
    return d0, k


def contrast(one: Estimate, other: Estimate) -> Estimate:
    """100 (a - b) / (a + b) of two independent values, with its interval.

    Raises ValueError for a value that is not finite, and where both add up to 0.

    >>> contrast(Estimate(300.0, 0.0, (300.0, 300.0)), Estimate(200.0, 0.0, (200.0, 200.0))).value
    20.0
    """
    must_be_finite(one=one.value, other=other.value)
    if one.value + other.value == 0:
        raise ValueError(f"one and other must not add up to 0, got {one.value}, {other.value}")
    wide = [error_of(e.interval) for e in (one, other)]
    both = math.hypot(*wide)
    return percent_of(
        one.value - other.value, one.value + other.value, both, both, wide[0] ** 2 - wide[1] ** 2
    )


def _curve(at: Floats, size: Floats) -> Floats:
    return at[0] * (1 - np.exp(-size / at[1]))


def _bend(at: Floats, size: Floats) -> Floats:
    return -at[0] * np.exp(-size / at[1]) * size / at[1] ** 2


def _solve(size: Floats, peak: Floats, start: Floats, loss: str = "linear") -> Floats:
    bounds = ([10.0, 0.5], [3000.0, 200.0])

    def off(at: Floats) -> Floats:
        return _curve(at, size) - peak

    return least_squares(off, start, bounds=bounds, loss=loss, f_scale=SOFT_DPS).x
