"""When the response to an irrigation began: how far before its first beats it may have been."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.optimize import nnls
from scipy.special import stdtrit

from analysis.estimate import Z_95, Estimate
from analysis.median_error import alike_factor

Floats = NDArray[np.float64]
USUAL_BEATS = 9  # whose median tells how far the response has risen
RISEN_SHARE = 0.5  # of the response: up to there its rise is taken as even (design choice)
LEAST_BEATS = 8
LEAST_SHARE = 0.02  # of the usual variance of a beat, that none falls below
NO_SPEED_DPS = 1e-6


def beginning(
    time_s: Floats,
    speed_dps: Floats,
    began_s: float,
    response_dps: float,
    before_error_dps: float = 0.0,
    *,
    over_another: bool = False,
) -> Estimate:
    """The first beat of a response at `began_s`, with the interval in which the response itself began.

    `time_s` (n,) and `speed_dps` (n,) of the beats in the direction of the response, what was there before it
    taken off, whose standard error is `before_error_dps`. While it rises to half of `response_dps` a line is
    laid through them; where that passes 0 the response began, when no beats were fast enough to be seen. The
    interval reaches from there to the first beat, by which it has begun: only the early end may miss, so all
    of the 5 % are left to it; but not over another nystagmus that was there before, of which chance may make
    a beat the first. Both errors are NaN where too few beats tell the rise, or it is not certain.
    """
    unknown = Estimate(began_s, math.nan, (math.nan, math.nan))
    later = time_s >= began_s
    time, speed = time_s[later], speed_dps[later]
    if len(time) < LEAST_BEATS:
        return unknown
    risen = np.flatnonzero(median_filter(speed, USUAL_BEATS, mode="nearest") >= RISEN_SHARE * response_dps)
    count = int(risen[0]) if len(risen) else len(time)
    if count < LEAST_BEATS:
        return unknown
    zero_s, error_s, slope, slope_error = _rise(time[:count], speed[:count])
    early, reach = (float(stdtrit(count - 2, p)) for p in (0.975 if over_another else 0.95, 0.975))
    if slope <= reach * slope_error:
        return unknown
    error_s = math.hypot(error_s, before_error_dps / slope)
    ends = (min(zero_s - early * error_s, began_s), max(zero_s + reach * error_s, began_s))
    return Estimate(began_s, reach * error_s / Z_95, ends)


def _rise(time: Floats, speed: Floats) -> tuple[float, float, float, float]:
    """When the line through speeds passes 0 and its slope, each with its standard error.

    Fast beats scatter more than slow ones, and it is these that tell where the line passes 0: it is laid
    again with each beat weighed by how it scatters.
    """
    weight = np.ones(len(time))
    middle_s, level, slope, power = _line(time, speed, weight)
    weight = 1 / _variances(level + slope * (time - middle_s), speed)
    middle_s, level, slope, power = _line(time, speed, weight)
    rest = np.sqrt(weight) * (speed - level - slope * (time - middle_s))
    scatter = math.sqrt(float(rest @ rest) / (len(time) - 2)) * alike_factor(rest, 2)
    away_s, slope_error = -level / slope, scatter / math.sqrt(power)
    error_s = scatter / slope * math.sqrt(1 / weight.sum() + away_s**2 / power)
    return middle_s + away_s, error_s, slope, slope_error


def _line(time: Floats, speed: Floats, weight: Floats) -> tuple[float, float, float, float]:
    """Middle, s, speed there, slope of the weighed line through speeds (n,), and what it rests on."""
    middle_s, level = np.average(np.column_stack((time, speed)), axis=0, weights=weight).tolist()
    power = float(weight @ (time - middle_s) ** 2)
    return middle_s, level, float((weight * (time - middle_s)) @ speed) / power, power


def _variances(line: Floats, speed: Floats) -> Floats:
    """Of speeds (n,) about a line: a part that is always there, and one that grows with its square."""
    square = (speed - line) ** 2
    shapes = np.column_stack((np.ones(len(line)), line**2))
    found, _ = nnls(shapes, square)
    return np.maximum(shapes @ found, LEAST_SHARE * square.mean() + NO_SPEED_DPS**2)
