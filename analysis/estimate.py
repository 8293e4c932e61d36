"""A value with its standard error and 95 % interval, and how errors carry through a ratio."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

Z_95 = 1.96
LARGEST = 1e60  # no angle, velocity or time is larger; its square and the square of that are numbers still


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard error (NaN: not known) and 95 % interval."""

    value: float
    standard_error: float
    interval: tuple[float, float]


def with_error(value: float, standard_error: float) -> Estimate:
    """A value whose error is normal."""
    reach = Z_95 * standard_error
    return Estimate(value, standard_error, (value - reach, value + reach))


def student_factor(freedom: float) -> float:
    """By how much Student's 95 % interval of so many degrees of freedom is wider than a normal one.

    >>> round(student_factor(4), 2), round(student_factor(1000), 2)
    (1.42, 1.0)
    """
    return float(stdtrit(freedom, 0.975)) / Z_95


def error_of(interval: tuple[float, float] | None) -> float:
    """The standard error of a normal value with this 95 % interval; 0 where there is none.

    >>> round(error_of((1.04, 8.88)), 2)
    2.0
    """
    return 0.0 if interval is None else (interval[1] - interval[0]) / 2 / Z_95


def are_numbers(*given: ArrayLike) -> bool:
    """Whether all of these are finite, and small enough to be reckoned with.

    >>> are_numbers(1.0, [2.0, -3.0]), are_numbers(float("nan")), are_numbers(1e300)
    (True, False, False)
    """
    return all(bool(np.all(np.abs(values) <= LARGEST)) for values in given)


def must_be_finite(**given: float) -> None:
    """Raise ValueError naming the first of these arguments that is NaN, infinite or beyond all measure."""
    for name, value in given.items():
        if not abs(value) <= LARGEST:
            raise ValueError(f"{name} must be finite and at most {LARGEST:g} in size, got {value}")


def percent_of(
    top: float, bottom: float, top_se: float, bottom_se: float, covariance: float = 0.0
) -> Estimate:
    """100 top / bottom, with the interval of Fieller (from memory: J R Stat Soc B 1954;16:175-185).

    The interval is infinite where the bottom is not certainly different from 0, or an error is infinite.

    Raises ValueError where another argument is not finite or the bottom is 0.

    >>> percent_of(-36.0, 80.0, 1.0, 1.0).value
    -45.0
    """
    must_be_finite(top=top, bottom=bottom, covariance=math.sqrt(abs(covariance)))
    if not bottom:
        raise ValueError(f"bottom must not be 0, got {bottom}")
    ratio = top / bottom
    if math.isinf(top_se) or math.isinf(bottom_se):
        return Estimate(100 * ratio, math.inf, (-math.inf, math.inf))
    must_be_finite(top_se=top_se, bottom_se=bottom_se)
    spread = max(top_se**2 - 2 * ratio * covariance + ratio**2 * bottom_se**2, 0.0)
    error = 100 * math.sqrt(spread) / abs(bottom)
    doubt = (Z_95 * bottom_se / bottom) ** 2
    if not doubt < 1:
        return Estimate(100 * ratio, error, (-math.inf, math.inf))
    centre = ratio - Z_95**2 * covariance / bottom**2
    inside = (
        top_se**2
        - 2 * ratio * covariance
        + ratio**2 * bottom_se**2
        - doubt * (top_se**2 - covariance**2 / bottom_se**2 if bottom_se else top_se**2)
    )
    half = Z_95 / abs(bottom) * math.sqrt(max(inside, 0.0))
    low, high = ((centre - half) / (1 - doubt), (centre + half) / (1 - doubt))
    return Estimate(100 * ratio, error, (100 * low, 100 * high))
