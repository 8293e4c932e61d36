"""The main sequence: how the peak velocity of saccades grows with their size, and saturates."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares
from scipy.special import stdtridf, stdtrit

from analysis.estimate import (
    Z_95,
    Estimate,
    are_numbers,
    error_of,
    must_be_finite,
    percent_of,
    student_factor,
)
from analysis.median_error import biweight_scatter

Floats = NDArray[np.float64]
REFERENCE_DPS, REFERENCE_DEG = 551.0, 14.0  # Baloh et al., Neurology 1975;25:1065-1070, from memory
LEAST_SACCADES = 8
LEAST_KEPT = 4  # of them, near the curve: two constants and their errors hang on them
LEAST_RATIO = 2.0  # of the largest to the smallest size: fewer tell nothing of the bend (design choice)
LEAST_SCATTER = 0.002  # of the velocity
SOFT = 0.05  # of the velocity: what is further away pulls less while strays are looked for (design choice)
LONGEST_HEIGHT = math.log(10)  # of an interval on a scale of ratios: beyond, nothing is known (design choice)
STRAY = 4.0  # scatters from the curve beyond which a saccade does not shape it (design choice)
FORMULA = "peak velocity = Vmax (1 - exp(-amplitude / C)), non-linear least squares of logarithms"
BOUNDS = np.log([10.0, 0.5]), np.log([3000.0, 200.0])  # deg/s, deg


def reference_velocity_dps(amplitude_deg: float) -> float:
    """Usual peak velocity of a saccade of this size, deg/s.

    >>> round(reference_velocity_dps(20.0), 1)
    419.0
    """
    return REFERENCE_DPS * (1 - math.exp(-abs(amplitude_deg) / REFERENCE_DEG))


def share_of_gain(amplitude_deg: float, constant_deg: float) -> float:
    """Share of an error of the gain that the curve's velocity at one amplitude takes over.

    Saccades that seem larger seem faster, but are held against larger ones: where the curve rises evenly the
    error cancels, where it is level all of it stays.

    >>> round(share_of_gain(0.001, 14.0), 3), round(share_of_gain(500.0, 14.0), 3)
    (0.0, 1.0)
    """
    return 1 - float(_rise(np.array(amplitude_deg / constant_deg)))


@dataclass(frozen=True, slots=True)
class MainSequence:
    """A fitted curve; of its saccades (n,) `slopes` (n, 2) by ln Vmax and ln C, `rest` off it.

    Both in how far each saccade is expected to lie off it.
    """

    vmax_dps: float
    constant_deg: float
    slopes: Floats
    rest: Floats
    smallest_deg: float
    largest_deg: float

    @property
    def used(self) -> int:
        """Saccades that shaped it."""
        return len(self.rest)

    def velocity(self, amplitude_deg: float) -> Estimate:
        """Peak velocity at this amplitude, deg/s."""
        share = amplitude_deg / self.constant_deg
        return self._estimate(-self.vmax_dps * math.expm1(-share), [1.0, -float(_rise(np.array(share)))])

    def vmax(self) -> Estimate:
        """The velocity that the curve approaches, deg/s."""
        return self._estimate(self.vmax_dps, [1.0, 0.0])

    def constant(self) -> Estimate:
        """The amplitude at which 63 % of it are reached, deg."""
        return self._estimate(self.constant_deg, [0.0, 1.0])

    def _estimate(self, value: float, along: Sequence[float]) -> Estimate:
        """With the interval of a factor: no velocity is below 0.

        Each saccade's own distance from the curve tells how far it may have moved it (HC3: MacKinnon & White,
        J Econometrics 1985;29:305-325, from memory). As few saccades decide at the curve's ends, that is
        worth fewer degrees of freedom than there are saccades (Bell & McCaffrey, Survey Methodology
        2002;28:169-181, from memory).
        """
        bread = np.linalg.inv(self.slopes.T @ self.slopes)
        hat = self.slopes @ bread @ self.slopes.T
        pull = self.slopes @ bread @ np.asarray(along) / np.maximum(1 - np.diag(hat), 1e-3)
        error = float(np.linalg.norm(pull * self.rest))
        form = pull[:, None] * (np.eye(self.used) - hat) * pull
        freedom = float(np.trace(form) ** 2 / np.sum(form * form))
        height = float(stdtrit(freedom, 0.975)) * error
        reach = math.exp(height) if height < LONGEST_HEIGHT else math.inf
        return Estimate(value, error * value, (value / reach, value * reach))


def fit(
    amplitude_deg: ArrayLike, peak_velocity_dps: ArrayLike, peak_error: ArrayLike = 0.0
) -> MainSequence | str:
    """The main sequence of saccades (n,), sizes without sign; or why there is none.

    A faster saccade scatters more, by about the same share of its velocity, so shares are fitted; those that
    noise makes less certain, `peak_error` (n,) as a share, count less. Raises ValueError for values that are
    not finite and above 0, or not as many.
    """
    size, peak, error = _checked(amplitude_deg, peak_velocity_dps, peak_error)
    if size.size < LEAST_SACCADES:
        return f"{size.size} saccade{'s' * (size.size != 1)} with a velocity, {LEAST_SACCADES} needed"
    if size.max() < LEAST_RATIO * size.min():
        return "the saccades are too much of one size"
    found = _solve(size, peak, SOFT, np.log([REFERENCE_DPS, REFERENCE_DEG]), "soft_l1")
    rest = SOFT * _off(found, size, peak, SOFT)
    scatter = max(biweight_scatter(rest), LEAST_SCATTER)
    own = math.sqrt(max(scatter**2 - float(np.median(error)) ** 2, LEAST_SCATTER**2))
    expected = np.hypot(own, error)
    near = np.abs(rest) <= STRAY * np.maximum(scatter, expected)
    if np.count_nonzero(near) < LEAST_KEPT:
        return "the saccades do not lie about a curve"
    size, peak, expected = size[near], peak[near], expected[near]
    found = _solve(size, peak, expected, found)
    vmax_dps, constant_deg = np.exp(found).tolist()
    if not 0.5 < constant_deg < 2 * size.max():
        return "the saccades do not bend toward a greatest velocity"
    curve = MainSequence(
        vmax_dps,
        constant_deg,
        np.column_stack((np.ones(size.size), -_rise(size / constant_deg))) / expected[:, None],
        _off(found, size, peak, expected),
        float(size.min()),
        float(size.max()),
    )
    return (
        curve if math.isfinite(curve.constant().interval[1]) else "the saccades scatter too much for a curve"
    )


def _checked(
    amplitude_deg: ArrayLike, peak_velocity_dps: ArrayLike, peak_error: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """The three as arrays (n,), or a ValueError that names what is wrong."""
    size, peak = np.asarray(amplitude_deg, np.float64), np.asarray(peak_velocity_dps, np.float64)
    if size.ndim != 1 or size.shape != peak.shape:
        raise ValueError(f"peak_velocity_dps must have the shape of amplitude_deg {size.shape}")
    for name, values in (("amplitude_deg", size), ("peak_velocity_dps", peak)):
        if not are_numbers(values) or not np.all(values > 0):
            raise ValueError(f"{name} must be finite and above 0")
    error = np.broadcast_to(np.asarray(peak_error, np.float64), size.shape)
    if not are_numbers(error) or not np.all(error >= 0):
        raise ValueError("peak_error must be finite and not below 0")
    return size, peak, error


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

    That of each is as wide as few saccades demand; of both together more tell: as many as Welch and
    Satterthwaite reckon (Biometrics Bull 1946;2:110, from memory). Raises ValueError for a value that is not
    finite, and where both add up to 0.

    >>> contrast(Estimate(300.0, 0.0, (300.0, 300.0)), Estimate(200.0, 0.0, (200.0, 200.0))).value
    20.0
    """
    must_be_finite(one=one.value, other=other.value)
    if one.value + other.value == 0:
        raise ValueError(f"one and other must not add up to 0, got {one.value}, {other.value}")
    wide = np.array([error_of(e.interval) for e in (one, other)])
    errors = np.array([e.standard_error for e in (one, other)])
    if np.all(errors > 0):
        freedom = stdtridf(0.975, Z_95 * np.maximum(wide / errors, 1.0))
        together = np.sum(errors**2) ** 2 / np.sum(errors**4 / freedom)
        wide = errors * student_factor(together)
    both = float(np.linalg.norm(wide))
    return percent_of(
        one.value - other.value, one.value + other.value, both, both, float(wide[0] ** 2 - wide[1] ** 2)
    )


def _rise(share: Floats) -> Floats:
    """By what share the velocity grows for one of the amplitude, given as a share of C."""
    return share / np.expm1(share)


def _off(at: Floats, size: Floats, peak: Floats, expected: Floats | float) -> Floats:
    """How far peaks lie above the curve, as a share (of the logarithm), against what is expected."""
    return (np.log(peak) - at[0] - np.log(-np.expm1(-size / np.exp(at[1])))) / expected


def _solve(
    size: Floats, peak: Floats, expected: Floats | float, start: Floats, loss: str = "linear"
) -> Floats:
    return least_squares(_off, start, bounds=BOUNDS, loss=loss, args=(size, peak, expected)).x
