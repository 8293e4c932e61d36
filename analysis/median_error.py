"""How far a median of beats may lie from the truth."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from analysis.estimate import Z_95, are_numbers, student_factor

Floats = NDArray[np.float64]
MEDIAN_OVER_MEAN_ERROR = 1.2533  # sqrt(pi / 2): standard error of a median / of a mean, normal distribution
FREEDOM = 0.8  # of the scatter below, a share of the values': what a robust scatter is worth (simulated)
RANKED = 10  # from so many values on their ranks tell the interval too
STRAYS = 8  # among fewer a stray cannot be told: three of which two are close would seem certain (simulated)
CORRELATED = 8  # fewer are too few to tell a correlation from chance
GREATEST_CORRELATION = 0.9
MANY = 40  # from so many on correlations are known further than between neighbours (simulated)
COURSE = 3  # coefficients of a parabola, which a nystagmus that comes or fades nearly follows
FAR = 3.0  # scatters from the median, beyond which a value is a stray (design choice)
LEAST_ALIKE = 0.25  # of the variance of independent values (design choice)


def median_error(
    values: Floats, standard_errors: Floats, least_correlation: float = 0.0
) -> tuple[float, float]:
    """Standard error of the median of values (n,) in order of time, and the reach of its 95 % interval.

    From few values: their scatter and Student's t; from many: their scatter about a parabola in time. From
    ten on also the values between which the median lies by rank whatever their distribution (geometric mean
    of both: slow phases of different length are differently certain, which the scatter alone takes for doubt;
    and a median steps over much of what changes in time). Of few that oppose each other the ranks alone:
    pieces of one length are equally certain. Widened where neighbours resemble each other; never smaller than
    `standard_errors` (n,) of the values, NaN where not known, allow. `least_correlation` of few neighbours:
    below 0 where it is known that they oppose each other.
    """
    count, rest = len(values), _without_course(values)
    alike = min(  # a course lets what comes back look more lasting
        alike_factor(values, 1, least_correlation), alike_factor(rest, COURSE, least_correlation)
    )
    own = float(np.nanmedian(standard_errors)) if np.any(np.isfinite(standard_errors)) else 0.0
    robust = count >= STRAYS
    scatter = biweight_scatter(rest) if robust else float(np.std(values, ddof=1))
    error = MEDIAN_OVER_MEAN_ERROR * max(scatter * alike, own) / math.sqrt(count)
    freedom = (FREEDOM if robust else 1.0) * (count - 1)
    reach = float(stdtrit(freedom, 0.975)) * error
    if count < RANKED:
        return error, reach
    away = Z_95 * math.sqrt(count) / 2  # ranks from the middle one: a binomial's
    low, high = np.interp((count - 1) / 2 + np.array([-away, away]), np.arange(count), np.sort(values))
    by_rank = max(high - low, 0.0) / 2 * alike
    if least_correlation >= 0 or count >= MANY:
        by_rank = math.sqrt(by_rank * reach)
    return by_rank / Z_95, by_rank


def _without_course(values: Floats) -> Floats:
    """Many values (n,) less a parabola that no stray bends: how they change is no doubt about a median."""
    if len(values) < MANY:
        return values
    median, far = float(np.median(values)), FAR * biweight_scatter(values)
    course = _course(len(values), COURSE)
    along = course @ (course.T @ np.clip(values, median - far, median + far))
    return (values - along) * math.sqrt(len(values) / (len(values) - COURSE))


def _course(count: int, terms: int) -> Floats:
    """(count, terms) orthonormal columns of a constant, a line, a parabola."""
    return np.linalg.qr(np.vander(np.linspace(-1.0, 1.0, count), terms))[0]


def error_about_line(time_s: Floats, values: Floats, standard_errors: Floats) -> float:
    """Standard error of the median of values (n,) that change evenly with time; infinite if sides change.

    Raises ValueError for a time or value that is not finite.
    """
    found = about_line(time_s, values, standard_errors)
    return math.inf if found is None else found[0]


def about_line(
    time_s: Floats, values: Floats, standard_errors: Floats, least_share: float = 0.0
) -> tuple[float, float] | None:
    """`median_error` of values (n,) about a line in time; None where they make none.

    A nystagmus that declines after an irrigation or while a gaze is held is not uncertain for that. The line
    must keep to one side from the first value to the last, change by `least_share` of their median, and fewer
    than `CORRELATED` values make none.

    Raises ValueError for a time or value that is not finite.
    """
    for name, given in (("time_s", time_s), ("values", values)):
        if not are_numbers(given):
            raise ValueError(f"{name} must be finite")
    if len(values) < CORRELATED or np.ptp(time_s) == 0:
        return None
    since_s = time_s - time_s[0]
    line = np.polyval(np.polyfit(since_s, values, 1), since_s)
    if line[0] * line[-1] <= 0 or abs(line[-1] - line[0]) < least_share * abs(float(np.median(values))):
        return None
    return median_error(values - line, standard_errors)


def biweight_scatter(values: Floats) -> float:
    """Scatter of values (n,) about their median, for which strays count little: that of Mosteller and Tukey.

    (1977, from memory.) The standard deviation where half of the values are one and the same.
    """
    away = values - np.median(values)
    usual = 9 * float(np.median(np.abs(away)))
    if usual == 0:
        return float(np.std(values, ddof=1))
    share = (away / usual) ** 2
    near = share < 1
    away, share = away[near], share[near]
    power = float(np.sum((1 - share) * (1 - 5 * share)))
    return math.sqrt(len(values) * float(np.sum(away**2 * (1 - share) ** 4)) / (power * (power - 1)))


def alike_factor(values: Floats, terms: int, least_correlation: float = 0.0) -> float:
    """By what factor the median errs more than if neighbours were independent, strays cut off.

    `terms` coefficients of a course were taken off the values. Of few values sqrt((1 + r) / (1 - r)), r the
    correlation of neighbours, at least `least_correlation`. Of many the root of the sum of the correlations
    at all distances up to sqrt(n), with Bartlett's weights (Newey & West, Econometrica 1987; 55:703, from
    memory): an eye that wanders about a place comes back, and is too slow after it was too fast. That sum is
    as certain as a variance of 1.5 n / sqrt(n) values.
    """
    scatter, count = biweight_scatter(values), len(values)
    if count < CORRELATED or scatter == 0:
        return 1.0
    away = np.clip(values - np.median(values), -scatter, scatter)
    away = away - away.mean()
    power = float(away @ away)
    if power == 0:  # all alike but for rounding
        return 1.0
    if count < MANY:
        r = min(max(float(away[1:] @ away[:-1]) / power, least_correlation), GREATEST_CORRELATION)
        return math.sqrt((1 + r) / (1 - r))
    furthest, course = round(math.sqrt(count)), _course(count, terms)
    whole, alone = power, float(count - terms)  # the same sum of independent values, without their course
    for far in range(1, furthest + 1):
        weight = 2 * (1 - far / (furthest + 1))
        whole += weight * float(away[far:] @ away[:-far])
        alone -= weight * float(np.sum(course[far:] * course[:-far]))
    return student_factor(1.5 * count / furthest) * math.sqrt(
        max(whole / power * (count - terms) / alone, LEAST_ALIKE)
    )
