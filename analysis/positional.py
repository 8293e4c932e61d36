"""The course of a nystagmus that a position provokes: when it begins, how fast it gets, how it fades.

The peak is that of the smoothed envelope, never the largest single beat.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from analysis.beats import Beat
from analysis.estimate import Z_95, Estimate
from analysis.positional_runs import CourseSettings, Run
from analysis.trace import Trace

Floats = NDArray[np.float64]
CHI_SQUARE_95 = 3.84  # of one degree of freedom
WANDER_AT_THE_END = 0.7  # how far wander at the slow end of a decline bends the line through its logarithms


def peak_velocity(run: Run, wander_dps: float = 0.0) -> Estimate:
    """Peak slow-phase velocity, signed, deg/s."""
    value = float(run.envelope_dps[run.peak])
    error = math.hypot(float(run.envelope_error_dps[run.peak]), wander_dps)
    reach = float(stdtrit(max(len(run.beats) - 2, 1), 0.975)) * error
    return Estimate(value, error, (value - reach, value + reach))


def onset(run: Run, trace: Trace, axis: int, settings: CourseSettings) -> Estimate:
    """When the run begins, s: where the eye that rested begins to drift, just before the first quick phase.

    Position rests up to the onset and follows a parabola from it, once with a velocity that sets in at once
    and once with one that grows from 0: the mean of both. The interval holds the onsets whose residuals are
    not significantly larger than the least (likelihood ratio). Where the eye was not seen just before, or
    the position was only just reached, it began at the latest with the first beat.
    """
    first = run.beats[0]
    best_s, ends = _resting_until(first, trace, axis, settings)
    beat_s = float(np.median(np.diff(run.time_s[: settings.smoothed_beats])))
    for gap_s, seen_s in _unseen(trace, first.slow_start_s - beat_s, first.quick_start_s, settings):
        if gap_s <= ends[1]:  # it may have begun unseen, or with a beat that the blink cut off
            ends = (min(ends[0], gap_s - beat_s), max(ends[1], min(seen_s, first.quick_start_s)))
        if abs(seen_s - best_s) < settings.hidden_s:
            best_s = (gap_s + seen_s) / 2
    return Estimate(best_s, (ends[1] - ends[0]) / 4, ends)


def _resting_until(
    first: Beat, trace: Trace, axis: int, settings: CourseSettings
) -> tuple[float, tuple[float, float]]:
    """Onset of the first slow phase and its 95 % interval, s, as far as the trace about it tells."""
    before_s = min(settings.rest_s, 3.0 * (first.quick_start_s - first.slow_start_s))
    inside = (trace.time_s > first.slow_start_s - before_s) & (trace.time_s < first.quick_start_s)
    place = np.flatnonzero(inside & trace.valid & np.isfinite(trace.position_deg[:, axis]))
    time, position = trace.time_s[place], trace.position_deg[place, axis]
    if len(place) < 8 or time[0] > first.slow_start_s - 2 / trace.rate_hz:
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


def fading(run: Run, settings: CourseSettings, wander_dps: float = 0.0) -> Estimate:
    """When the run ends, s: the end of its last quick phase, or when its fading slow phase passes 1 deg/s.

    The latter where the last quick phases were hardly larger than the noise, so that later ones were lost in
    it: the decay is then followed to 1 deg/s.
    """
    beat_s = float(np.median(np.diff(run.time_s)))
    tau = time_constant(run, settings, wander_dps)
    speed = abs(float(run.envelope_dps[-1]))
    own = math.hypot(float(run.envelope_error_dps[-1]), wander_dps)
    if isinstance(tau, str):
        return Estimate(run.end_s, beat_s / 2, (run.end_s - beat_s, run.end_s + beat_s))
    value, doubt = run.end_s, tau.value * min(own / max(speed, settings.least_dps), 1.0)
    if speed > settings.least_dps and _is_lost_in_noise(run, settings):
        lasts_on_s = tau.value * math.log(speed / settings.least_dps)
        value, doubt = value + lasts_on_s, math.hypot(doubt, lasts_on_s * tau.standard_error / tau.value)
    error = math.hypot(doubt, beat_s / 2)
    return Estimate(value, error, (value - 2 * error, value + 2 * error))


def _is_lost_in_noise(run: Run, settings: CourseSettings) -> bool:
    """Whether the last quick phases were so small that smaller ones would not be seen."""
    last = run.beats[-settings.run_beats :]
    sizes = [
        abs(v) * (b.quick_end_s - b.slow_start_s) for v, b in zip(run.velocity_dps[-3:], last, strict=True)
    ]
    noise = [
        e * (b.slow_end_s - b.slow_start_s) for e, b in zip(run.error_dps[-3:], last, strict=True)
    ]  # error of a slope times its length: about 3.5 noise SDs over the root of the samples
    return float(np.median(sizes)) < settings.lost_size_errors * float(np.median(noise))


def time_constant(run: Run, settings: CourseSettings, wander_dps: float = 0.0) -> Estimate | str:
    """Tau of SPV(t) = SPV0 exp(-t / tau), from the peak to 15 % of it, log-linear and robust; or why not, s.

    The line through ln|SPV| has the median of pairwise slopes (Theil and Sen), its error that of residuals.
    """
    speed = np.abs(run.envelope_dps[run.peak :])
    low = np.flatnonzero(speed < settings.fitted_from_share * speed[0])
    stop = int(low[0]) if len(low) else len(speed)
    if stop < settings.fitted_beats:
        return (
            f"{stop} beats from the peak to {settings.fitted_from_share:.0%} of it, "
            f"{settings.fitted_beats} needed"
        )
    if speed[:stop].min() > settings.fitted_fall * speed[0]:
        return "the slow phase does not fade"
    part = slice(run.peak, run.peak + stop)
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
