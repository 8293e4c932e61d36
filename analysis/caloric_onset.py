"""When the response to an irrigation began: how far before its first beats it may have been."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.special import stdtrit

from analysis.estimate import Z_95, Estimate
from analysis.median_error import alike_factor

Floats = NDArray[np.float64]
USUAL_BEATS = 9  # whose median tells how far the response has risen
RISEN_SHARE = 0.5  # of the response: up to there its rise is taken as even (design choice)
LEAST_BEATS = 8


def beginning(
    time_s: Floats, speed_dps: Floats, began_s: float, response_dps: float, *, over_another: bool = False
) -> Estimate:
    """The first beat of a response at `began_s`, with the interval in which the response itself began.

    `time_s` (n,) and `speed_dps` (n,) of the beats in the direction of the response, what was there before it
    taken off. While it rises to half of `response_dps` a line is laid through them; where that passes 0 the
    response began, when no beats were fast enough to be seen. The interval reaches from there to the first
    beat, by which it has begun: only the early end may miss, so all of the 5 % are left to it; but not over
    another nystagmus that was there before, of which chance may make a beat the first. Both errors are NaN
    where too few beats tell the rise, or it is not certain.
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
    since, speed = time[:count] - time[:count].mean(), speed[:count]
    power = float(since @ since)
    slope, level = float(since @ speed) / power, float(speed.mean())
    rest = speed - level - slope * since
    scatter = math.sqrt(float(rest @ rest) / (count - 2)) * alike_factor(rest, 2)
    early, reach = (float(stdtrit(count - 2, p)) for p in (0.975 if over_another else 0.95, 0.975))
    if slope <= reach * scatter / math.sqrt(power):
        return unknown
    zero = -level / slope
    error = scatter / slope * math.sqrt(1 / count + zero**2 / power)
    zero += float(time[:count].mean())
    ends = (min(zero - early * error, began_s), max(zero + reach * error, began_s))
    return Estimate(began_s, reach * error / Z_95, ends)
