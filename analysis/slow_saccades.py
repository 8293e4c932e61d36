"""Saccades that are so slow that the search of fast phases does not see them whole.

It takes a jump of the eye to last for 150 ms at most. A saccade at a third of the usual speed lasts longer,
or is no faster than the slow movement of a nystagmus: it would stand as a miss, or too short. One that a
target called for is told by its own speed: a single stroke toward the target, from where its speed passes a
tenth of its peak until it falls below that again (clinical reference 9).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.phases import PhaseSettings
from analysis.steps import saccade_duration_s
from analysis.trace import Trace

Floats = NDArray[np.float64]
SPEED_S = 0.04  # on each side, over which places are averaged for the speed (design choice)
LEAST_DPS = 30.0  # a peak below it is no saccade (clinical reference 9)
SHARE = 0.1  # of the peak, at which the stroke begins and ends (clinical reference 9)
ABOVE_SHARE = 0.827  # of its time a minimum jerk is faster: u^2 (1 - u)^2 = 0.1 / 16


class Stroke(NamedTuple):
    """One movement along an axis."""

    start_s: float
    end_s: float
    size_deg: float  # signed


def stroke_toward(trace: Trace, axis: int, sign: float, from_s: float, until_s: float) -> Stroke | None:
    """The fastest stroke of an axis toward `sign` between two times; None where the eye makes none."""
    reach_s = 3 * SPEED_S  # to see it begin and end
    inside = (trace.time_s >= from_s - reach_s) & (trace.time_s <= until_s + reach_s) & trace.valid
    time, place = trace.time_s[inside], trace.position_deg[inside, axis]
    speed = sign * _speed(time, place)
    asked = (time >= from_s) & (time <= until_s) & np.isfinite(speed)
    due = np.where(asked, speed, -np.inf)
    if not due.size or not (peak := float(due.max())) >= LEAST_DPS:
        return None
    at, still = int(due.argmax()), speed < SHARE * peak
    before, after = np.flatnonzero(still[:at]), np.flatnonzero(still[at:]) + at
    if not before.size or not after.size:
        return None
    start_s, end_s = float(time[before[-1]]), float(time[after[0]])
    size_deg = _place(time, place, end_s, end_s + SPEED_S) - _place(time, place, start_s - SPEED_S, start_s)
    return Stroke(start_s, end_s, size_deg) if sign * size_deg > 0 else None


def is_slow(stroke: Stroke) -> bool:
    """Whether it lasted longer than a saccade of its size may."""
    usual_s = float(saccade_duration_s(np.array(abs(stroke.size_deg)), np.array(0.0)))
    lasted_s = (stroke.end_s - stroke.start_s - SPEED_S) / ABOVE_SHARE
    return lasted_s > PhaseSettings().longest_share * usual_s


def _place(time: Floats, place: Floats, from_s: float, until_s: float) -> float:
    return float(np.median(place[(time >= from_s) & (time <= until_s)]))


def _speed(time: Floats, place: Floats) -> Floats:
    """Means of the places behind and before each sample, over their distance; NaN where one has no sample."""
    first, last = np.searchsorted(time, time - SPEED_S), np.searchsorted(time, time + SPEED_S, "right")
    here = np.arange(time.size)
    sums = [np.r_[0.0, np.cumsum(values - values[:1])] for values in (time, place)]
    with np.errstate(invalid="ignore", divide="ignore"):
        later, earlier = (
            [(s[b] - s[a]) / (b - a) for s in sums] for a, b in ((here + 1, last), (first, here))
        )
        return (later[1] - earlier[1]) / (later[0] - earlier[0])
