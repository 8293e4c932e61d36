"""Slow-phase velocity of one eye and axis in any span of time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.beats import Beat
from analysis.estimate import Estimate
from analysis.hidden_beats import heeding, hidden_slope
from analysis.median_error import CORRELATED, about_line
from analysis.nystagmus import Middle, drift, middle, piece_slopes, valid_seconds
from analysis.trace import Trace

DRIFT_PIECE_S = 0.25
GREATEST_TOUCHED = 0.5  # share of the pieces with a quick phase in them: shorter pieces where it were more
LEAST_BEATS = 3
FADING = 0.5  # of the median speed: more than an eye wanders in a span changes a nystagmus (design choice)
ONE_SIDED_95 = 1.645  # standard deviations of a normal distribution
LEAST_FILLED = 2 / 3  # of the time in which the eye was seen (design choice)


def velocity_in(
    trace: Trace, beats: Sequence[Beat], axis: int, start_s: float, end_s: float
) -> Estimate | None:
    """Median slow-phase velocity of the accepted beats inside, deg/s, or over time where they are too few.

    Many beats count by the time that they stand for. In a short span of slow beats, those whose slow phase
    lies mostly inside count as well. Where beats fill less than two thirds of it, each quarter of a second
    counts once: with its own slow drift, or with the slow phase of the beat whose quick phase it touches; the
    interval then reaches as far as quick phases too small to be found, as frequent as those of `beats`, may
    have slowed it. Where beats are few or small, what the trace tells of hidden ones counts (`hidden_beats`).
    None where there is neither beat nor drift: the eye was not seen for two pieces of a quarter of a second.
    """
    known = [b for b in beats if b.accepted and math.isfinite(b.slow_phase_velocity_dps[axis])]
    inside = [b for b in known if start_s <= b.slow_start_s and b.quick_end_s <= end_s]
    if len(inside) < LEAST_BEATS:
        inside = [b for b in known if start_s <= (b.slow_start_s + b.slow_end_s) / 2 <= end_s]
    filled_s = sum(b.quick_end_s - b.slow_start_s for b in inside)
    if len(inside) >= LEAST_BEATS and filled_s >= LEAST_FILLED * valid_seconds(trace, start_s, end_s):
        found = _middle(inside, axis, start_s, end_s)
    else:
        found = drift(trace, start_s, end_s, axis, DRIFT_PIECE_S, known)
        if found is not None and len(known) >= LEAST_BEATS:
            reaching = with_hidden(found.interval, trace, known, axis, (start_s, end_s))
            found = replace(found, interval=reaching)
    if found is None:
        return None
    found = heeding(found, hidden_slope(trace, inside, axis, start_s, end_s))
    return Estimate(found.median, found.standard_error, found.interval)


def _middle(inside: Sequence[Beat], axis: int, start_s: float, end_s: float) -> Middle:
    """Median of beats, many of them by their time; that a nystagmus fades within a span is no doubt of it."""
    even = _evenly(inside, start_s, end_s) if len(inside) >= CORRELATED else inside
    values = np.array([b.slow_phase_velocity_dps[axis] for b in even])
    errors = np.array([b.slow_phase_velocity_se_dps[axis] for b in even])
    found = middle(values, errors)
    fading = about_line(np.array([b.slow_start_s for b in even]), values, errors, FADING)
    if fading is None or fading[0] >= found.standard_error:
        return found
    error, reach = fading
    return replace(found, standard_error=error, interval=(found.median - reach, found.median + reach))


def _evenly(beats: Sequence[Beat], start_s: float, end_s: float) -> list[Beat]:
    """As many beats as there are, each the nearest to one of as many even times: beats crowd where faster."""
    middles = np.array([(b.slow_start_s + b.slow_end_s) / 2 for b in beats])
    even = start_s + (end_s - start_s) * (np.arange(len(beats)) + 0.5) / len(beats)
    return [beats[k] for k in np.searchsorted((middles[1:] + middles[:-1]) / 2, even).tolist()]


def with_hidden(
    interval: tuple[float, float],
    trace: Trace,
    beats: Sequence[Beat],
    axis: int,
    span_s: tuple[float, float],
) -> tuple[float, float]:
    """Interval of a drift, deg/s, and what it lacks if the eye went on to beat, too little to be found.

    As often as `beats`, in the time that those do not fill, quick phases then touch a share p of the pieces
    and turn those back: the median of the others lies between the ranks (1 - p) / 2 and (1 + p) / 2 of all,
    each as far outside as chance moves it to one side in 95 % (an interval for what lies between two ends:
    Imbens & Manski, Econometrica 2004;72:1845-1857, from memory). Fewer than three beats make no nystagmus
    that might go on.
    """
    seen_s = valid_seconds(trace, *span_s)
    if len(beats) < LEAST_BEATS or not seen_s:
        return interval
    beat_s = float(np.median([b.quick_end_s - b.slow_start_s for b in beats]))
    piece_s = min(DRIFT_PIECE_S, GREATEST_TOUCHED * beat_s)
    slopes, _, _ = piece_slopes(trace, *span_s, axis, piece_s)
    if not len(slopes):
        return interval
    filled_s = sum(max(min(b.quick_end_s, span_s[1]) - max(b.slow_start_s, span_s[0]), 0.0) for b in beats)
    rank = (1 - max(1 - filled_s / seen_s, 0.0) * piece_s / beat_s) / 2
    lowest = max(rank - ONE_SIDED_95 * math.sqrt(rank * (1 - rank) / len(slopes)), 0.0)
    low, high = np.quantile(slopes, [lowest, 1 - lowest])
    return min(interval[0], float(low)), max(interval[1], float(high))
