"""When a nystagmus that a position provokes ends: its last beats tell less than how it fades."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analysis.beats import Beat
from analysis.estimate import Z_95, Estimate, with_error
from analysis.nystagmus import valid_seconds
from analysis.positional import LEAST_FALL, crossing, decay, declining, time_constant
from analysis.positional_onset import VARIED, belongs, quick_end
from analysis.positional_runs import CourseSettings, Run
from analysis.trace import Trace

MISSED = 2.0  # times the least speed: beats of slower drifts are easily missed
LOWER_SHARE = 0.4  # of the peak: below it the lower part of a decline
AFTER_S = 2.0  # after the last beat: does the eye still drift as the decline lets expect
DRIFTING = 0.5  # of what wander at 1 deg/s would move the end: a line through many beats sees less of it


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
    if isinstance(tau, str):
        return _unfitted_end(run, last_s, after_dps, settings, wander_dps, findable_deg / beat_s)
    passes = _passes(run, tau.value, settings, least)
    expected = least * math.exp(min((passes.value - last_s - AFTER_S / 2) / tau.value, 9.0))
    seen_from = max(MISSED * least, findable_deg / beat_s)
    if _stopped(run, after_dps, expected, wander_dps, seen_from, settings.stopped_errors):
        return Estimate(last_s, beat_s / 2, (last_s - beat_s, last_s + beat_s))
    drifting_s = DRIFTING * tau.value * wander_dps / least
    reach = math.hypot(passes.interval[1] - passes.value, drifting_s)
    late = max(run.end_s - settings.run_gap_s, passes.value + reach)  # a tail that the decline does not tell
    return Estimate(passes.value, reach / Z_95, (passes.value - reach, late))


def _stopped(
    run: Run,
    after_dps: Estimate | None,
    expected_dps: float,
    wander_dps: float,
    seen_from_dps: float,
    errors: float,
) -> bool:
    """Whether after the last beat, whose like is seen, the eye surely drifts less than expected."""
    if after_dps is None or expected_dps < seen_from_dps:
        return False
    error = math.hypot(after_dps.standard_error, wander_dps, VARIED * expected_dps)
    return expected_dps - run.sign * after_dps.value > errors * error


def _unfitted_end(
    run: Run,
    last_s: float,
    after_dps: Estimate | None,
    settings: CourseSettings,
    wander_dps: float,
    findable_dps: float,
) -> Estimate | str:
    """When a run without a time constant ends, s: with its last beat, or as late as its few beats fade."""
    speed, least = np.abs(run.envelope_dps), settings.least_dps
    beat_s, high_s = float(np.median(np.diff(run.time_s))), last_s
    if after_dps is not None:
        if run.sign * after_dps.value > MISSED * least:
            return "the eye still drifted when its beats could no longer be told"
        if run.sign * after_dps.value + Z_95 * after_dps.standard_error > least:
            high_s += AFTER_S
    slowest, expected = max(float(speed[-1]), least), float(speed[-1])
    if speed[run.peak] > LEAST_FALL * slowest:
        tau_s = float((run.time_s[-1] - run.time_s[run.peak]) / math.log(speed[run.peak] / slowest))
        ends_s = float(run.time_s[-1]) + tau_s * math.log(slowest / least)
        high_s = max(high_s, ends_s)
        expected = least * math.exp(min((ends_s - last_s - AFTER_S / 2) / tau_s, 9.0))
    seen_from = max(MISSED * least, findable_dps)
    if _stopped(run, after_dps, expected, wander_dps, seen_from, settings.stopped_errors):
        high_s = last_s
    high_s = max(high_s, last_s + beat_s)
    return Estimate(last_s, (high_s - last_s + beat_s) / 2 / Z_95, (last_s - beat_s, high_s))


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
    upper = crossing(run, declining(run, settings)[0], tau_s, least_dps)
    speed = np.abs(run.envelope_dps)
    low = run.peak + np.flatnonzero(speed[run.peak :] < LOWER_SHARE * speed[run.peak])
    if len(low) < settings.fitted_beats:
        return upper
    tau = decay(run.time_s[low], np.abs(run.velocity_dps[low]))
    if isinstance(tau, str):
        return upper
    lower = crossing(run, low, tau.value, least_dps)
    trust = upper.standard_error**2 / (upper.standard_error**2 + lower.standard_error**2)
    value = (1 - trust) * upper.value + trust * lower.value
    doubt = Z_95 * (lower.value - upper.value) * max(trust, 0.5) / 2
    # Both rest on some of the same beats: together they are as sure as the surer one.
    reach = math.hypot(min(part.interval[1] - part.value for part in (upper, lower)), doubt)
    return Estimate(value, reach / Z_95, (value - reach, value + reach))
