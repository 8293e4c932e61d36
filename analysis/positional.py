"""The course of a nystagmus that a position provokes: how it fades and ends, its shape, both sides."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from analysis.beats import Beat
from analysis.estimate import LARGEST, Z_95, Estimate, are_numbers, with_error
from analysis.nystagmus import valid_seconds
from analysis.positional_onset import belongs, quick_end
from analysis.positional_runs import CourseSettings, Run
from analysis.trace import Trace

Floats = NDArray[np.float64]
MISSED = 2.0  # times the least speed: beats of slower drifts are easily missed
LOWER_SHARE = 0.4  # of the peak: below it the lower part of a decline
AFTER_S = 2.0  # after the last beat: does the eye still drift as the decline lets expect
DRIFTING = 0.5  # of what wander at 1 deg/s would move the end: a line through many beats sees less of it
NEAR_PEAK = 0.9  # of the envelope: a plateau may go on so far
FITTED_AGAIN = 2  # times: where a line ends changes hardly any more
SURE = 1.5  # times the least speed: some of the beats of slower drifts are lost, the slowest first
LEAST_FALL = 1.2  # of speeds from which a time constant is told
WANDER_AT_THE_END = 0.7  # how far wander at the slow end of a decline bends the line through its logarithms


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
    for beat in sorted((b for b in beats if b.slow_start_s >= run.end_s - 1e-9), key=quick_end):
        if valid_seconds(trace, last_s, beat.slow_start_s) > settings.run_gap_s:
            break
        speed = abs(beat.slow_phase_velocity_dps[axis] - baseline_dps)
        if belongs(beat, run, axis, baseline_dps) and speed >= settings.least_dps:
            last_s = beat.quick_end_s
    return last_s


def fading(
    run: Run,
    last_s: float,
    after_dps: Estimate | None,
    settings: CourseSettings,
    wander_dps: float = 0.0,
    findable_deg: float = 0.0,
) -> Estimate | str:
    """When the run ends, s: when its fading slow phase passes 1 deg/s; `last_s` where it ends without fading.

    `last_s` is the end of its last quick phase, `after_dps` how fast the eye still drifted in the 2 s after
    it. The decline is a line through the logarithms of its speeds; beats of less than 2 deg/s are rare and
    easily missed, as are those whose quick phases are smaller than `findable_deg`, which also hide the drift:
    so it tells the end better than the last of them. A text says why the end is not known.
    """
    beat_s = float(np.median(np.diff(run.time_s)))
    tau, least = time_constant(run, settings, wander_dps), settings.least_dps
    still = 0.0 if after_dps is None else run.sign * after_dps.value
    doubt = 0.0 if after_dps is None else Z_95 * after_dps.standard_error
    if isinstance(tau, str):
        if still > MISSED * least:
            return "the eye still drifted when its beats could no longer be told"
        return Estimate(last_s, beat_s / 2, (last_s - beat_s, last_s + beat_s))
    passes = _passes(run, tau.value, settings, least)
    expected = least * math.exp(min((passes.value - last_s - AFTER_S / 2) / tau.value, 9.0))
    seen = expected > MISSED * least and expected * beat_s >= findable_deg
    stopped = still < expected / 3 and still + doubt < expected
    if after_dps is not None and seen and stopped:
        return Estimate(last_s, beat_s / 2, (last_s - beat_s, last_s + beat_s))
    drifting_s = DRIFTING * tau.value * wander_dps / least
    reach = math.hypot(passes.interval[1] - passes.value, drifting_s)
    late = max(run.end_s - settings.run_gap_s, passes.value + reach)  # a tail that the decline does not tell
    return Estimate(passes.value, reach / Z_95, (passes.value - reach, late))


def faded_with(
    main: Run, share: float, share_error: float, settings: CourseSettings, wander_dps: float = 0.0
) -> Estimate | None:
    """When an axis whose velocity is `share` of the main run's passes 1 deg/s, s: that passes 1 / share then.

    One nystagmus fades as a whole, and its fastest axis tells how far it has. None where the main run does
    not fade, or where the share is not surely more than 0.
    """
    tau = time_constant(main, settings, wander_dps)
    if isinstance(tau, str) or not share > Z_95 * share_error:
        return None
    passes = _passes(main, tau.value, settings, settings.least_dps / share)
    error = math.hypot(passes.standard_error, tau.value * share_error / share)
    return with_error(passes.value, error)


def _passes(run: Run, tau_s: float, settings: CourseSettings, least_dps: float) -> Estimate:
    """When the decline passes a speed, s: by its upper part, and by its lower part where there are beats.

    Both are one line if the decline is exponential; how far they are apart is doubt.
    """
    upper = _crossing(run, _declining(run, settings)[0], tau_s, least_dps)
    speed = np.abs(run.envelope_dps)
    low = run.peak + np.flatnonzero(speed[run.peak :] < LOWER_SHARE * speed[run.peak])
    if len(low) < settings.fitted_beats:
        return upper
    tau = decay(run.time_s[low], np.abs(run.velocity_dps[low]))
    if isinstance(tau, str):
        return upper
    lower = _crossing(run, low, tau.value, least_dps)
    trust = upper.standard_error**2 / (upper.standard_error**2 + lower.standard_error**2)
    value = (1 - trust) * upper.value + trust * lower.value
    doubt = Z_95 * (lower.value - upper.value) * max(trust, 0.5) / 2
    # Both rest on some of the same beats: together they are as sure as the surer one.
    reach = math.hypot(min(part.interval[1] - part.value for part in (upper, lower)), doubt)
    return Estimate(value, reach / Z_95, (value - reach, value + reach))


def _crossing(run: Run, beats: NDArray[np.int64], tau_s: float, least_dps: float) -> Estimate:
    """When the line through the logarithms of the speeds of these beats passes a speed, s."""
    time, speed = run.time_s[beats], np.abs(run.velocity_dps[beats])
    time, height = time[speed > 0], np.log(speed[speed > 0] / least_dps)
    rest = height + time / tau_s
    value = float(np.median(rest)) * tau_s
    away, rest = time - time.mean(), rest - np.median(rest)
    freedom = max(len(time) - 2, 1)
    scatter = math.sqrt(float(rest @ rest) / freedom)
    error = scatter * tau_s * math.sqrt(1 / len(time) + (value - time.mean()) ** 2 / float(away @ away))
    reach = float(stdtrit(freedom, 0.975)) * error
    return Estimate(value, error, (value - reach, value + reach))


def time_constant(run: Run, settings: CourseSettings, wander_dps: float = 0.0) -> Estimate | str:
    """Tau of SPV(t) = SPV0 exp(-t / tau), from the peak to 10 % of it, log-linear and robust; or why not, s.

    The line through ln|SPV| has the median of pairwise slopes (Theil and Sen), its error that of residuals.
    """
    beats, tau = _declining(run, settings)
    speed = np.abs(run.envelope_dps)
    if len(beats) < settings.fitted_beats:
        return (
            f"{len(beats)} beats from the peak to {settings.fitted_from_share:.0%} of it, "
            f"{settings.fitted_beats} needed"
        )
    if speed[beats].min() > settings.fitted_fall * speed[run.peak]:
        return "the slow phase does not fade"
    if isinstance(tau, str):
        return tau
    return bent(tau, wander_dps, float(speed[beats[0]]), max(float(speed[beats[-1]]), settings.least_dps))


def bent(tau: Estimate, off_dps: float, from_dps: float, to_dps: float) -> Estimate:
    """A time constant with what a velocity that is off by `off_dps` adds to its error.

    Speeds fell from `from_dps` to `to_dps`; what is off shows most where they were slowest.
    """
    fall = math.log(max(from_dps / to_dps, LEAST_FALL))
    doubt = tau.value * WANDER_AT_THE_END * off_dps / to_dps / fall
    (low, high), reach = tau.interval, Z_95 * doubt
    low = max(tau.value - math.hypot(tau.value - low, reach), 0.0)
    error = math.hypot(tau.standard_error, doubt)
    return Estimate(tau.value, error, (low, tau.value + math.hypot(high - tau.value, reach)))


def _declining(run: Run, settings: CourseSettings) -> tuple[NDArray[np.int64], Estimate | str]:
    """Beats of the decline, down to a tenth of the peak, and the time constant of the line through them.

    They begin where the envelope last was near its peak, so that no plateau is fitted. The line itself says
    where they end: were it the first slow beat, chance would leave out slow beats and keep fast ones.
    """
    speed = np.abs(run.envelope_dps[run.peak :])
    least_dps = settings.fitted_from_share * speed[0]
    low = np.flatnonzero(speed < least_dps)
    stop = int(low[0]) if len(low) else len(speed)
    near = int(np.flatnonzero(speed[:stop] >= NEAR_PEAK * speed[0])[-1])
    near = near if stop - near >= settings.fitted_beats else 0
    beats, after = run.peak + np.arange(near, stop), run.peak + np.arange(near, len(speed))
    if len(beats) < settings.fitted_beats:
        return beats, "too few beats"
    tau = decay(run.time_s[beats], np.abs(run.velocity_dps[beats]))
    for _ in range(FITTED_AGAIN):
        if isinstance(tau, str):
            break
        ends = _crossing(run, beats, tau.value, max(least_dps, SURE * settings.least_dps))
        longer = after[run.time_s[after] <= ends.value]
        if len(longer) < settings.fitted_beats:
            break
        beats, tau = longer, decay(run.time_s[longer], np.abs(run.velocity_dps[longer]))
    return beats, tau


def decay(time_s: Floats, speed_dps: Floats) -> Estimate | str:
    """Time constant of speeds (n,) at times (n,) that fade exponentially, or why there is none.

    Raises ValueError for fewer than two times, times that do not rise, and what is not finite.

    >>> round(decay(np.array([0.0, 4.0]), np.array([40.0, 14.7])).value, 2)
    4.0
    """
    if len(time_s) < 2 or len(time_s) != len(speed_dps) or np.any(np.diff(time_s) <= 0):
        raise ValueError(f"time_s must be at least two rising times, one a speed, got {len(time_s)}")
    if not are_numbers(time_s, speed_dps):
        raise ValueError("time_s and speed_dps must be finite")
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
    few = len(time) / (len(time) - 2)  # residuals of a line are smaller than the errors
    error = math.sqrt(few * float(np.sum((away * rest) ** 2))) / float(np.sum(away**2))
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


def is_even(run: Run, settings: CourseSettings) -> bool:
    """Whether a run that fades does so evenly: the logarithms of its speeds lie on a line, not on a bow.

    Alertness that comes and goes bends the decline of a paroxysm; so may debris that moves unevenly. Too few
    beats to tell count as even, a nystagmus that does not fade as well.
    """
    speed = np.abs(run.envelope_dps[run.peak :])
    low = np.flatnonzero(speed < settings.bent_from_share * speed[0])
    part = slice(run.peak, run.peak + (int(low[0]) if len(low) else len(speed)))
    time, known = run.time_s[part], np.abs(run.velocity_dps[part])
    if len(time) < settings.bent_beats or not len(low):
        return True
    height = np.log(np.maximum(known, settings.least_dps / 2))
    along = 2 * (time - time.mean()) / (time[-1] - time[0])
    shapes = np.column_stack((np.ones(len(time)), along, along**2 - 1 / 3))
    bow = np.linalg.lstsq(shapes, height, rcond=None)[0]
    rest = height - shapes @ bow
    error = math.sqrt(float(rest @ rest) / (len(time) - 3) * float(np.linalg.inv(shapes.T @ shapes)[2, 2]))
    return abs(float(bow[2])) <= max(settings.bent_share, settings.bent_errors * error)


def asymmetry(right_dps: float, left_dps: float, ratio_error: float, z: float = 1.96) -> Estimate:
    """Asymmetry (|R| - |L|) / (|R| + |L|) x 100 of the two sides' peaks, %; positive: right is stronger.

    The interval comes from that of ln(|R| / |L|), whose standard error is `ratio_error`; the asymmetry is 100
    tanh(half of it) and never leaves +-100. `z`: reach in standard errors. A common error of gain cancels.

    Raises ValueError where both peaks are 0 or one is not finite.

    >>> round(asymmetry(45.0, -22.0, 0.05).value, 1)
    34.3
    """
    right, left = abs(right_dps), abs(left_dps)
    if not (are_numbers(right, left) and right + left > 0):
        raise ValueError(f"right_dps and left_dps must be finite and not both 0, got {right_dps}, {left_dps}")
    value = 100 * (right - left) / (right + left)
    if min(right, left) == 0:
        return Estimate(value, math.nan, (-100.0, 100.0))
    half = math.log(right / left) / 2
    ends = (100 * math.tanh(half - z * ratio_error / 2), 100 * math.tanh(half + z * ratio_error / 2))
    return Estimate(value, 100 * 2 * right * left / (right + left) ** 2 * ratio_error, ends)


def fatigue_ratio(first_dps: float, again_dps: float) -> float:
    """Peak of the immediate repeat over the first peak; below 1 it fatigues.

    Raises ValueError where the first peak is 0 or one is not finite.

    >>> fatigue_ratio(-40.0, -10.0)
    0.25
    """
    if not (are_numbers(first_dps, again_dps) and abs(first_dps) >= 1 / LARGEST):
        raise ValueError(f"first_dps must be finite and not 0, got {first_dps}")
    return abs(again_dps) / abs(first_dps)
