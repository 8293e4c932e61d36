"""The course of a nystagmus that a position provokes: how it fades, its shape, both sides."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from analysis.estimate import LARGEST, Z_95, Estimate, are_numbers
from analysis.positional_runs import CourseSettings, Run

Floats = NDArray[np.float64]
NEAR_PEAK = 0.9  # of the envelope: a plateau may go on so far
FITTED_AGAIN = 2  # times: where a line ends changes hardly any more
SURE = 1.5  # times the least speed: some of the beats of slower drifts are lost, the slowest first
LEAST_FALL = 1.2  # of speeds from which a time constant, or how few beats fade, is told
WANDER_AT_THE_END = 0.7  # how far wander at the slow end of a decline bends the line through its logarithms


def crossing(run: Run, beats: NDArray[np.int64], tau_s: float, least_dps: float) -> Estimate:
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
    beats, tau = declining(run, settings)
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


def declining(run: Run, settings: CourseSettings) -> tuple[NDArray[np.int64], Estimate | str]:
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
        ends = crossing(run, beats, tau.value, max(least_dps, SURE * settings.least_dps))
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
