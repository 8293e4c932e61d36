"""The course of a nystagmus that a position provokes: when it begins, how fast it gets, how it fades.

The peak is that of the smoothed envelope, never the largest single beat.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from analysis.beats import Beat
from analysis.estimate import Z_95, Estimate
from analysis.nystagmus import axis_sign, valid_seconds
from analysis.positional_runs import CourseSettings, Run
from analysis.segmentation import average
from analysis.trace import Trace

Floats = NDArray[np.float64]
CHI_SQUARE_95 = 3.84  # of one degree of freedom
CERTAIN_ERRORS = 3.0  # of the slow phase of a refused beat that belongs to a run
ONSET_BEATS, ONSET_APART = 5, 1.5  # of a run, and how much further apart a slower one may stand before them
RISING_BEATS = 5  # of a run, whose velocities tell when it rose from 0
MISSED_BEATS = 4.0  # that small may have gone before it
HIDDEN_BEATS = 1.5  # before a blink that may have belonged to the run
MISSED = 2.0  # times the least speed: beats of slower drifts are easily missed
AFTER_S = 2.0  # after the last beat: does the eye still drift as the decline lets expect
MOST_ONSETS = 150  # that are tried: closer samples are averaged
WANDER_AT_THE_END = 0.7  # how far wander at the slow end of a decline bends the line through its logarithms


def first_beat(
    run: Run, beats: Sequence[Beat], trace: Trace, axis: int, baseline_dps: float = 0.0
) -> tuple[Beat, float]:
    """The beat with which the nystagmus of a run begins, and the end of the fast phase before it, s.

    `beats` are all, refused ones too: a slow phase that grows fast looks too small for its quick phase, and
    before those of a run there may be slower ones.
    """
    first, usual_s = run.beats[0], float(np.median(np.diff(run.time_s)[:ONSET_BEATS]))
    before = sorted((b for b in beats if b.quick_end_s <= first.slow_start_s + 1e-9), key=_quick_end)
    while before:
        beat = before[-1]
        apart_s = valid_seconds(trace, beat.quick_end_s, first.slow_start_s)
        if apart_s > ONSET_APART * usual_s or not _belongs(beat, run, axis, baseline_dps):
            return first, beat.quick_end_s
        first = before.pop()
    return first, -math.inf


def _quick_end(beat: Beat) -> float:
    return beat.quick_end_s


def _belongs(beat: Beat, run: Run, axis: int, baseline_dps: float) -> bool:
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
    the position was only just reached, it began at the latest with the first beat. Nothing is looked for
    before `since_s`, the end of the fast phase before it.
    """
    best_s, ends = _resting_until(first, since_s, trace, axis, settings)
    beat_s = float(np.median(np.diff(run.time_s[: settings.smoothed_beats])))
    low = max(min(ends[0], _rising_from(run)), ends[0] - MISSED_BEATS * beat_s)  # first beats may be missed,
    ends = (low, max(ends[1], run.start_s))  # and what looks like slower ones before the run may be chance
    for gap_s, seen_s in _unseen(trace, first.slow_start_s - beat_s, first.quick_start_s, settings):
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
    inside = (trace.time_s > from_s) & (trace.time_s < first.quick_start_s)
    place = np.flatnonzero(inside & trace.valid & np.isfinite(trace.position_deg[:, axis]))
    group = max(1, len(place) // MOST_ONSETS)
    time, seen = average(trace.time_s[place], trace.position_deg[place], group)
    position = seen[:, axis]
    if len(time) < 8 or time[0] > first.slow_start_s + 2 * group / trace.rate_hz:
        length_s = first.quick_start_s - first.slow_start_s
        return first.slow_start_s, (first.slow_start_s - length_s, first.quick_start_s)
    fits = [_likely_onsets(time, position, powers, settings) for powers in ((1, 2), (2,))]
    best_s = float(np.mean([best for best, _ in fits]))
    near = np.concatenate([near for _, near in fits])
    bent_s = max(settings.bend_share * (first.quick_start_s - best_s), 1 / trace.rate_hz)
    return best_s, (float(near.min()) - bent_s, float(near.max()) + bent_s)


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


def last_seen_s(
    run: Run,
    beats: Sequence[Beat],
    trace: Trace,
    axis: int,
    settings: CourseSettings,
    baseline_dps: float = 0.0,
) -> float:
    """End of the last quick phase, s, those after the run counted in that are still at least 1 deg/s fast."""
    last_s = run.end_s
    for beat in sorted((b for b in beats if b.slow_start_s >= run.end_s - 1e-9), key=_quick_end):
        if valid_seconds(trace, last_s, beat.slow_start_s) > settings.run_gap_s:
            break
        speed = abs(beat.slow_phase_velocity_dps[axis] - baseline_dps)
        if _belongs(beat, run, axis, baseline_dps) and speed >= settings.least_dps:
            last_s = beat.quick_end_s
    return last_s


def fading(
    run: Run, last_s: float, after_dps: float | None, settings: CourseSettings, wander_dps: float = 0.0
) -> Estimate | str:
    """When the run ends, s: when its fading slow phase passes 1 deg/s; `last_s` where it ends without fading.

    `last_s` is the end of its last quick phase, `after_dps` how fast the eye still drifted in the 2 s after
    it. The decline is a line through the logarithms of its speeds; beats of less than 2 deg/s are rare and
    easily missed, so it tells the end better than the last of them. A text says why the end is not known.
    """
    beat_s = float(np.median(np.diff(run.time_s)))
    tau, least = time_constant(run, settings, wander_dps), settings.least_dps
    still = 0.0 if after_dps is None else run.sign * after_dps
    if isinstance(tau, str):
        if still > MISSED * least:
            return "the eye still drifted when its beats could no longer be told"
        return Estimate(last_s, beat_s / 2, (last_s - beat_s, last_s + beat_s))
    passes = _passes(run, tau.value, settings)
    expected = least * math.exp(min((passes.value - last_s - AFTER_S / 2) / tau.value, 9.0))
    if after_dps is not None and expected > MISSED * least and still < expected / 3:
        return Estimate(last_s, beat_s / 2, (last_s - beat_s, last_s + beat_s))
    drifting_s = tau.value * wander_dps / least
    reach = math.hypot(passes.interval[1] - passes.value, drifting_s)
    late = max(run.end_s - settings.run_gap_s, passes.value + reach)  # a tail that the decline does not tell
    return Estimate(passes.value, reach / Z_95, (passes.value - reach, late))


def _passes(run: Run, tau_s: float, settings: CourseSettings) -> Estimate:
    """When the line through the logarithms of the declining speeds passes 1 deg/s, s."""
    part = _declining(run, settings)
    time, speed = run.time_s[part], np.abs(run.velocity_dps[part])
    time, height = time[speed > 0], np.log(speed[speed > 0] / settings.least_dps)
    rest = height + time / tau_s
    value = float(np.median(rest)) * tau_s
    away, rest = time - time.mean(), rest - np.median(rest)
    freedom = max(len(time) - 2, 1)
    scatter = math.sqrt(float(rest @ rest) / freedom)
    error = scatter * tau_s * math.sqrt(1 / len(time) + (value - time.mean()) ** 2 / float(away @ away))
    reach = float(stdtrit(freedom, 0.975)) * error
    return Estimate(value, error, (value - reach, value + reach))


def time_constant(run: Run, settings: CourseSettings, wander_dps: float = 0.0) -> Estimate | str:
    """Tau of SPV(t) = SPV0 exp(-t / tau), from the peak to 15 % of it, log-linear and robust; or why not, s.

    The line through ln|SPV| has the median of pairwise slopes (Theil and Sen), its error that of residuals.
    """
    part = _declining(run, settings)
    speed, stop = np.abs(run.envelope_dps[run.peak :]), part.stop - part.start
    if stop < settings.fitted_beats:
        return (
            f"{stop} beats from the peak to {settings.fitted_from_share:.0%} of it, "
            f"{settings.fitted_beats} needed"
        )
    if speed[:stop].min() > settings.fitted_fall * speed[0]:
        return "the slow phase does not fade"
    tau = decay(run.time_s[part], np.abs(run.velocity_dps[part]))
    if isinstance(tau, str):
        return tau
    fall = math.log(speed[0] / max(float(speed[stop - 1]), settings.least_dps))
    bent = tau.value * WANDER_AT_THE_END * wander_dps / max(float(speed[stop - 1]), settings.least_dps) / fall
    low, high = tau.interval
    return Estimate(
        tau.value,
        math.hypot(tau.standard_error, bent),
        (
            max(tau.value - math.hypot(tau.value - low, Z_95 * bent), 0.0),
            tau.value + math.hypot(high - tau.value, Z_95 * bent),
        ),
    )


def _declining(run: Run, settings: CourseSettings) -> slice:
    """The beats from the peak down to 15 % of it."""
    speed = np.abs(run.envelope_dps[run.peak :])
    low = np.flatnonzero(speed < settings.fitted_from_share * speed[0])
    return slice(run.peak, run.peak + (int(low[0]) if len(low) else len(speed)))


def decay(time_s: Floats, speed_dps: Floats) -> Estimate | str:
    """Time constant of speeds (n,) at times (n,) that fade exponentially, or why there is none.

    Raises ValueError for fewer than two times, or times that do not rise.

    >>> round(decay(np.array([0.0, 4.0]), np.array([40.0, 14.7])).value, 2)
    4.0
    """
    if len(time_s) < 2 or len(time_s) != len(speed_dps) or np.any(np.diff(time_s) <= 0):
        raise ValueError(f"time_s must be at least two rising times, one a speed, got {len(time_s)}")
    able = speed_dps > 0
    time, height = time_s[able], np.log(speed_dps[able])
    if len(time) < 2:
        return "no speed above 0"
    before, after = np.triu_indices(len(time), 1)
    slope = float(np.median((height[after] - height[before]) / (time[after] - time[before])))
    if slope >= 0:
        return "the slow phase does not fade"
    tau = -1 / slope
    if len(time) < 3:
        return Estimate(tau, math.nan, (math.nan, math.nan))
    away = time - time.mean()
    rest = height - slope * time
    rest -= np.median(rest)
    error = math.sqrt(float(np.sum((away * rest) ** 2))) / float(np.sum(away**2))
    reach = float(stdtrit(len(time) - 2, 0.975)) * error
    ends = (-1 / (slope - reach), -1 / (slope + reach) if slope + reach < 0 else math.inf)
    return Estimate(tau, error * tau**2, ends)


def is_crescendo_decrescendo(run: Run, settings: CourseSettings) -> bool:
    """Whether the envelope rises to one maximum inside the run and falls, as far as noise lets it be seen."""
    speed, error = np.abs(run.envelope_dps), run.envelope_error_dps
    share = (run.time_s[run.peak] - run.start_s) / (run.end_s - run.start_s)
    if not settings.edge_share <= share <= 1 - settings.edge_share:
        return False
    rising, falling = slice(0, run.peak + 1), slice(run.peak, None)
    doubt = settings.steady_errors * error
    rises = np.all(np.maximum.accumulate(speed[rising]) - speed[rising] <= doubt[rising])
    falls = np.all(speed[falling] - np.minimum.accumulate(speed[falling]) <= doubt[falling])
    return bool(rises and falls)


def asymmetry(
    right_dps: float, left_dps: float, right_se_dps: float, left_se_dps: float, z: float = 1.96
) -> Estimate:
    """Asymmetry (|R| - |L|) / (|R| + |L|) x 100 of the two sides' peaks, %; positive: right is stronger.

    The interval comes from that of ln(|R| / |L|), of which the asymmetry is 100 tanh(half of it): it never
    leaves +-100. `z` is its reach in standard errors. A common error of gain cancels.

    Raises ValueError where both peaks are 0 or one is not finite.

    >>> round(asymmetry(45.0, -22.0, 1.0, 1.0).value, 1)
    34.3
    """
    right, left = abs(right_dps), abs(left_dps)
    if not (math.isfinite(right + left) and right + left > 0):
        raise ValueError(f"right_dps and left_dps must be finite and not both 0, got {right_dps}, {left_dps}")
    value = 100 * (right - left) / (right + left)
    if min(right, left) == 0:
        return Estimate(value, math.nan, (-100.0, 100.0))
    spread = math.hypot(right_se_dps / right, left_se_dps / left)
    half = math.log(right / left) / 2
    ends = (100 * math.tanh(half - z * spread / 2), 100 * math.tanh(half + z * spread / 2))
    return Estimate(value, 100 * 2 * right * left / (right + left) ** 2 * spread, ends)


def fatigue_ratio(first_dps: float, again_dps: float) -> float:
    """Peak of the immediate repeat over the first peak; below 1 it fatigues.

    Raises ValueError where the first peak is 0 or one is not finite.

    >>> fatigue_ratio(-40.0, -10.0)
    0.25
    """
    if not (math.isfinite(first_dps) and math.isfinite(again_dps) and first_dps):
        raise ValueError(f"first_dps must be finite and not 0, got {first_dps}")
    return abs(again_dps) / abs(first_dps)
