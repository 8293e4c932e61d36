"""When the nystagmus that a position provokes begins, and which beats outside of a run still belong to it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.beats import Beat
from analysis.estimate import Estimate
from analysis.nystagmus import axis_sign, valid_seconds
from analysis.positional_runs import CourseSettings, Run
from analysis.segmentation import average
from analysis.slope import robust_slope
from analysis.trace import Trace

Floats = NDArray[np.float64]
CHI_SQUARE_95 = 3.84  # of one degree of freedom
CERTAIN_ERRORS = 3.0  # of the slow phase of a refused beat that belongs to a run
ONSET_BEATS, ONSET_APART = 5, 1.5  # of a run, and how much further apart a slower one may stand before them
RISING_BEATS = 5  # of a run, whose velocities tell when it rose from 0
MISSED_BEATS = 3.0  # that small may have gone before it
HIDDEN_BEATS = 1.5  # before a blink that may have belonged to the run
LEAST_SEEN = 8  # samples about an onset
DRIFT_S, LEAST_DRIFT = 0.15, 3  # before a blink, in which a drift is told; samples of it
LIKELY = 0.85  # of the way to the ends above: the whole of it holds 99 to 100 % (simulated)
MOST_ONSETS = 150  # that are tried: closer samples are averaged


def first_beat(
    run: Run, beats: Sequence[Beat], trace: Trace, axis: int, baseline_dps: float = 0.0
) -> tuple[Beat, float]:
    """The beat with which the nystagmus of a run begins, and the end of the fast phase before it, s.

    `beats` are all, refused ones too: a slow phase that grows fast looks too small for its quick phase, and
    before those of a run there may be slower ones.
    """
    first, usual_s = run.beats[0], float(np.median(np.diff(run.time_s)[:ONSET_BEATS]))
    before = sorted((b for b in beats if b.quick_end_s <= first.slow_start_s + 1e-9), key=quick_end)
    while before:
        beat = before[-1]
        apart_s = valid_seconds(trace, beat.quick_end_s, first.slow_start_s)
        if apart_s > ONSET_APART * usual_s or not belongs(beat, run, axis, baseline_dps):
            return first, beat.quick_end_s
        first = before.pop()
    return first, -math.inf


def quick_end(beat: Beat) -> float:
    """When its quick phase ends, s: for sorting."""
    return beat.quick_end_s


def belongs(beat: Beat, run: Run, axis: int, baseline_dps: float) -> bool:
    """Whether a beat outside of a run goes its way beyond doubt."""
    speed = run.sign * (beat.slow_phase_velocity_dps[axis] - baseline_dps)
    doubt = CERTAIN_ERRORS * beat.slow_phase_velocity_se_dps[axis]
    sure = speed > doubt if baseline_dps or not beat.accepted else speed > 0
    return axis_sign(beat, axis) == -run.sign and sure


def onset(
    run: Run, first: Beat, since_s: float, trace: Trace, axis: int, settings: CourseSettings
) -> Estimate:
    """When the run begins, s: where the eye that rested begins to drift, before the first quick phase.

    Position rests up to the onset and follows a parabola from it, once with a velocity that sets in at once
    and once with one that grows from 0: the mean of both. The interval holds the onsets whose residuals are
    not significantly larger than the least (likelihood ratio). Where the eye was not seen just before, or
    the position was only just reached, it began at the latest with the first beat; where it drifted already
    when a blink hid it, before the blink. Nothing is looked for before `since_s`, the end of the fast phase
    before it.
    """
    beat_s = float(np.median(np.diff(run.time_s[: settings.smoothed_beats])))
    gaps = _unseen(trace, first.slow_start_s - beat_s, first.quick_start_s, settings)
    for gap_s, _ in gaps:
        if (found := _before_blink(gap_s, since_s, run, trace, axis, settings)) is not None:
            return Estimate(found[0], (found[1][1] - found[1][0]) / 4, found[1])
    best_s, ends = _resting_until(first, since_s, trace, axis, settings)
    low = max(min(ends[0], _rising_from(run)), ends[0] - MISSED_BEATS * beat_s)  # first beats may be missed,
    ends = (low, max(ends[1], run.start_s))  # and what looks like slower ones before the run may be chance
    for gap_s, seen_s in gaps:
        if gap_s <= ends[1]:  # it may have begun unseen, or with beats that the blink cut off
            low = min(ends[0], gap_s - HIDDEN_BEATS * beat_s)
            ends = (low, max(ends[1], min(seen_s, first.quick_start_s)))
        if abs(seen_s - best_s) < settings.hidden_s:
            best_s = (gap_s + seen_s) / 2
    return Estimate(best_s, (ends[1] - ends[0]) / 4, ends)


def _rising_from(run: Run) -> float:
    """When the line through the velocities of the first beats passes 0, s; infinity where none rises."""
    slope, height = np.polyfit(run.time_s[:RISING_BEATS] - run.time_s[0], run.velocity_dps[:RISING_BEATS], 1)
    rises = slope * run.sign > 0
    return float(run.time_s[0] - height / slope) if rises else math.inf


def _resting_until(
    first: Beat, since_s: float, trace: Trace, axis: int, settings: CourseSettings
) -> tuple[float, tuple[float, float]]:
    """Onset of the first slow phase and its 95 % interval, s, as far as the trace about it tells."""
    before_s = min(settings.rest_s, 3.0 * (first.quick_start_s - first.slow_start_s))
    from_s = max(first.slow_start_s - before_s, since_s)
    time, position, apart_s = _seen(trace, from_s, first.quick_start_s, axis)
    if len(time) < LEAST_SEEN or time[0] > first.slow_start_s + 2 * apart_s:
        length_s = first.quick_start_s - first.slow_start_s
        return first.slow_start_s, (first.slow_start_s - length_s, first.quick_start_s)
    return _fitted(time, position, first.quick_start_s, trace.rate_hz, settings)


def _before_blink(
    gap_s: float, since_s: float, run: Run, trace: Trace, axis: int, settings: CourseSettings
) -> tuple[float, tuple[float, float]] | None:
    """Onset and its 95 % interval, s, where the eye drifted the run's way already when it was hidden."""
    last, last_deg, _ = _seen(trace, gap_s - DRIFT_S, gap_s + 1e-9, axis)
    slope, error = robust_slope(last, last_deg)
    if len(last) < LEAST_DRIFT or not run.sign * slope > max(settings.least_dps, CERTAIN_ERRORS * error):
        return None  # it rested, or noise hides whether it did
    time, position, _ = _seen(trace, max(gap_s - settings.rest_s, since_s), gap_s + 1e-9, axis)
    if len(time) < LEAST_SEEN:
        return None
    return _fitted(time, position, gap_s, trace.rate_hz, settings)


def _seen(trace: Trace, from_s: float, until_s: float, axis: int) -> tuple[Floats, Floats, float]:
    """Times and positions between two times, averaged where they are many; s from one to the next."""
    inside = (trace.time_s > from_s) & (trace.time_s < until_s)
    place = np.flatnonzero(inside & trace.valid & np.isfinite(trace.position_deg[:, axis]))
    group = max(1, len(place) // MOST_ONSETS)
    time, position = average(trace.time_s[place], trace.position_deg[place], group)
    return time, position[:, axis], group / trace.rate_hz


def _fitted(
    time: Floats, position: Floats, until_s: float, rate_hz: float, settings: CourseSettings
) -> tuple[float, tuple[float, float]]:
    """Onset of an eye that rests and then drifts until `until_s`, and its 95 % interval, s."""
    fits = [_likely_onsets(time, position, powers, settings) for powers in ((1, 2), (2,))]
    best_s = float(np.mean([best for best, _ in fits]))
    near = np.concatenate([near for _, near in fits])
    gently_s = float(_likely_onsets(time, position, (3,), settings)[1].min())  # it may grow still more gently
    bent_s = max(settings.bend_share * (until_s - best_s), 1 / rate_hz)
    earliest_s = min((float(near.min()) + gently_s) / 2, float(near.min()))
    ends = earliest_s - bent_s, float(near.max()) + bent_s
    return best_s, (best_s + LIKELY * (ends[0] - best_s), best_s + LIKELY * (ends[1] - best_s))


def _unseen(
    trace: Trace, start_s: float, end_s: float, settings: CourseSettings
) -> list[tuple[float, float]]:
    """From when to when the eye was not seen, for gaps that reach into a span of time."""
    place = np.flatnonzero(trace.valid & (trace.time_s < end_s))
    time = trace.time_s[place]
    gaps = np.flatnonzero(np.diff(time) > settings.hidden_s)
    return [(float(time[g]), float(time[g + 1])) for g in gaps if time[g + 1] > start_s]


def _likely_onsets(
    time: Floats, position: Floats, powers: tuple[int, ...], settings: CourseSettings
) -> tuple[float, Floats]:
    """Best onset of an eye that rests and then moves along these powers of time, and those near it."""
    tried = time[:-4]
    since = np.maximum(time - tried[:, None], 0.0)
    terms = np.stack([np.ones(since.shape), *(since**power for power in powers)], axis=2)
    within = np.linalg.qr(terms)[0].transpose(0, 2, 1) @ (position - position.mean())
    rest = np.maximum(np.sum((position - position.mean()) ** 2) - np.sum(within**2, axis=1), 0.0)
    least = float(rest.min())
    widened = settings.noise_widening * least / (len(time) - len(powers) - 2)
    return float(tried[np.argmin(rest)]), tried[rest <= least + CHI_SQUARE_95 * widened]
