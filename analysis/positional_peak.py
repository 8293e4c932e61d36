"""The peak of a paroxysm: of all courses that its beats allow, how fast and when each is at its fastest.

The largest of many scattered beats is one that chance raised, and a pointed peak falls between two beats. So
the peak is not that of the envelope but of courses: a rise from the onset, even, slackening or slow at first,
then some seconds at the top or none, then a decline (one or two neighbouring exponentials together) or none.
Each counts as much as the beats speak for it (Bayes' rule, heights equally likely); what all leave open is
the doubt. Where debris comes to rest at once, or the eye stays at the top, the course turns sharply.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from analysis.estimate import Z_95, Estimate, student_factor
from analysis.positional_runs import CourseSettings, Run, smoothing

Floats = NDArray[np.float64]
# Design choices, tried on made courses (exponential, rounded, bell-shaped, staying), white and alike noise.
HIGH = 0.4  # share of the peak: slower beats say little about it, and their course may be another
PIECES = 60  # at most: neighbouring beats of a longer part are taken together
TOPS, NEAR_S = 24, 2.0  # times of the peak, all along and as many again this near to the fastest beats
DECLINES_S = np.r_[np.geomspace(0.5, 64.0, 11), 128.0, 256.0, np.inf]
# How it rises and for how long it stays at the top, s: how likely before anything was seen.
TURNS = {
    ("even", 0.0): 0.55,
    ("slow at first", 0.0): 0.2,
    ("to nothing", 0.0): 0.05,
    ("as two lags", 0.0): 0.04,
    ("even", 2.0): 0.04,
    ("even", 5.0): 0.04,
    ("slow at first", 2.0): 0.04,
    ("slow at first", 5.0): 0.04,
}
STAYS = 0.5  # before anything was seen: as likely that nystagmus lasts as that it fades ...
STAYS_FADED = 1e-6  # ... but not where slower beats follow
USUAL_RISE_S = 2.0
FITTED, HEIGHTS = 4, 2  # numbers that a course has: rise, turn, decline, height; of these its parts' heights
ALIKE_BEATS = 3  # an eye's wander is hardly alike over so many
LEAST_ALIKE = 20  # beats; fewer do not tell whether neighbours err alike
MOST_ALIKE = 0.9
LEAST_WEIGHT = 1e-6  # of a course that is looked at
TOP_ERROR_S = 2 * NEAR_S / TOPS / 12**0.5  # of a time between two that are tried
NO_SPEED_DPS = 1e-6
LEAST_KEPT = 0.05  # of the variance of a beat, in what is left of it about the envelope


class Peaks(NamedTuple):
    """Peaks of the courses that beats allow, each (n,)."""

    height_dps: Floats
    error_dps: Floats  # of a normal height: Student's factor for few beats is not in it
    time_s: Floats
    weight: Floats  # sum 1
    freedom: int  # of which the beats' scatter is known

    def quantiles(self, values: Floats, errors: Floats | float) -> tuple[float, float, float]:
        """The 2.5th, 50th and 97.5th percentile of what the courses say together."""
        use = self.weight > LEAST_WEIGHT * self.weight.max()
        centre, weight = values[use], self.weight[use] / self.weight[use].sum()
        error = np.maximum(np.broadcast_to(errors, values.shape)[use], 1e-9)
        steps = np.linspace(np.min(centre - 5 * error), np.max(centre + 5 * error), 800)
        below = ndtr((steps[:, None] - centre) / error) @ weight
        low, middle, high = np.interp((0.025, 0.5, 0.975), below, steps)
        return float(low), float(middle), float(high)


@lru_cache(maxsize=64)  # asked for by several findings in a row
def peak_velocity(
    run: Run, settings: CourseSettings, wander_dps: float = 0.0, began_s: float | None = None
) -> Estimate:
    """Peak slow-phase velocity, signed, deg/s; wander_dps: by how much the eye drifts of itself.

    began_s: since when it rises, with the first slow phase of the run where that is not known better.
    """
    peaks = peaks_allowed(run, settings, began_s)
    error = np.hypot(student_factor(peaks.freedom) * peaks.error_dps, wander_dps)
    low, value, high = peaks.quantiles(peaks.height_dps, error)
    ends = sorted((run.sign * low, run.sign * high))
    return Estimate(run.sign * value, (high - low) / 2 / Z_95, (ends[0], ends[1]))


def ratio_error(
    runs: Sequence[Run],
    settings: CourseSettings,
    wanders_dps: Sequence[float],
    began_s: Sequence[float | None] = (None, None),
) -> float:
    """Standard error of ln of the ratio of two peaks.

    That of each is raised for few beats so that it alone is right; of both together more beats tell: as many
    as Welch and Satterthwaite reckon (Biometrics Bull 1946;2:110, from memory).
    """
    variance, inside, known = 0.0, 0.0, 0.0
    for run, wander_dps, since_s in zip(runs, wanders_dps, began_s, strict=True):
        peaks = peaks_allowed(run, settings, since_s)
        error = np.hypot(peaks.error_dps, wander_dps)
        low, value, high = peaks.quantiles(peaks.height_dps, error)
        value = max(value, NO_SPEED_DPS)
        scatter = float(peaks.weight @ peaks.error_dps**2) / value**2
        variance += ((high - low) / 2 / Z_95 / value) ** 2
        inside, known = inside + scatter, known + scatter**2 / peaks.freedom
    return float(np.sqrt(variance + (student_factor(inside**2 / known) ** 2 - 1) * inside))


def peak_time(run: Run, settings: CourseSettings, began_s: float | None = None) -> Estimate:
    """When the peak was, s from the recording's zero."""
    peaks = peaks_allowed(run, settings, began_s)
    low, value, high = peaks.quantiles(peaks.time_s, TOP_ERROR_S)
    return Estimate(value, (high - low) / 2 / Z_95, (low, high))


@lru_cache(maxsize=64)
def peaks_allowed(run: Run, settings: CourseSettings, began_s: float | None = None) -> Peaks:
    """Peaks of all courses, weighed by how well they explain the fast beats of a run."""
    seen = _fast_beats(run, settings)
    if began_s is None or began_s > seen.edges_s[0, 0]:  # fast beats came before
        began_s = run.start_s
    shapes = _shapes(seen, run.time_s[run.peak], began_s)
    noise = _Noise(seen.share, 0.0)
    for _ in range(2):  # how beats scatter is known better from the best course than from the envelope
        course = _fitted(seen, shapes, noise).best
        noise = _noise_about(seen, course)
        seen = seen._replace(course_dps=np.maximum(course, 1e-3))
    return _fitted(seen, shapes, noise).peaks


class _Seen(NamedTuple):
    """Fast beats of a run, or groups of neighbours, each (n,)."""

    edges_s: Floats  # (n, 3) beginning, middle and end
    speed_dps: Floats
    error_dps: Floats
    course_dps: Floats  # what is known of the true speed
    share: float  # by what share of the speed they scatter beyond their errors
    stays: float  # how likely it is that nystagmus lasts


class _Noise(NamedTuple):
    share: float
    alike: float  # correlation of a beat with the next


class _Shapes(NamedTuple):
    """Courses of height 1 by turn, time of the peak and decline."""

    speed: Floats  # (turns, tops, declines, n) at each beat
    top_s: Floats  # (turns, tops, declines)
    prior: Floats  # (turns, tops, 1) logarithms


class _Fit(NamedTuple):
    best: Floats  # (n,)
    peaks: Peaks


def _fast_beats(run: Run, settings: CourseSettings) -> _Seen:
    speed, error = run.sign * run.velocity_dps, np.nan_to_num(run.error_dps)
    kernel = smoothing(run.time_s, speed, run.error_dps, settings)
    envelope = kernel @ speed
    top = envelope[run.peak]
    fast = np.flatnonzero(envelope >= min(HIGH * top, top))
    first = min(fast[0], max(run.peak - 2, 0))
    stop = max(fast[-1] + 1, min(run.peak + 3, len(speed)))
    part = slice(first, stop)
    kept = np.maximum(1 - 2 * np.diag(kernel) + np.sum(kernel**2, axis=1), LEAST_KEPT)
    rest = ((speed - envelope) ** 2 / kept - error**2)[part]
    share = np.sqrt(max(np.sum(rest) / max(np.sum(envelope[part] ** 2), 1e-9), 0.0))
    starts = np.arange(0, stop - first, -(-(stop - first) // PIECES))
    counts = np.diff(starts, append=stop - first)

    def mean(values: Floats) -> Floats:
        return np.add.reduceat(values[part], starts) / counts

    begins = np.array([b.slow_start_s for b in run.beats[part]])[starts]
    ends = np.array([b.slow_end_s for b in run.beats[part]])[starts + counts - 1]
    edges = np.column_stack((begins, mean(run.time_s), ends))
    alone = mean(error) / np.sqrt(counts)
    stays = STAYS if fast[-1] == len(speed) - 1 else STAYS_FADED
    return _Seen(edges, mean(speed), alone, np.maximum(mean(envelope), 1e-3), float(share), stays)


def _shapes(seen: _Seen, fastest_s: float, began_s: float) -> _Shapes:
    first, last = float(seen.edges_s[0, 0]), float(seen.edges_s[-1, 2])
    near = fastest_s + np.linspace(-NEAR_S, NEAR_S, TOPS)
    tops = np.unique(np.clip(np.r_[np.linspace(first, last, TOPS), near], first, last))
    likely = np.gradient(tops) / (USUAL_RISE_S + tops - began_s)
    times = seen.edges_s.ravel()
    lasts = np.maximum(tops - began_s, 1e-3)[:, None]
    grown = np.clip((times - began_s) / lasts, 1e-9, 1.0)
    rises = {
        "even": grown,
        "slow at first": (1 - np.cos(np.pi * grown)) / 2,
        "to nothing": 1 - (1 - grown) ** 2,
        "as two lags": grown * np.exp(1 - grown),
    }
    speeds = []
    for rise, stays_s in TURNS:
        since = np.maximum(times - tops[:, None] - stays_s, 0.0)
        course = rises[rise][:, None] * np.exp(-since[:, None] / DECLINES_S[:, None])
        by_beat = course.reshape(*course.shape[:2], -1, 3)
        speeds.append(by_beat @ np.array([1, 4, 1]) / 6)  # Simpson's rule over a slow phase
    top_s = np.broadcast_to(tops[:, None], (len(TURNS), len(tops), len(DECLINES_S)))
    prior = np.multiply.outer(list(TURNS.values()), likely / likely.sum())
    return _Shapes(np.stack(speeds), top_s, np.log(prior)[..., None])


def _noise_about(seen: _Seen, course: Floats) -> _Noise:
    """How beats scatter about a course (n,): by a share of it, and alike to their neighbours.

    Of beats k apart the squared differences are 1 - r^k of those far apart, so that those of three apart are
    1 + r + r^2 times those of neighbours.
    """
    rest, n = seen.speed_dps - course, len(course)
    beyond = np.sum(rest**2) / max(n - FITTED, 1) - np.mean(seen.error_dps**2)
    share = float(np.sqrt(max(beyond, 0.0) / max(np.mean(course**2), 1e-9)))
    if n < LEAST_ALIKE:
        return _Noise(share, 0.0)
    rest /= np.maximum(np.hypot(seen.error_dps, share * course), 1e-6)
    apart = [float(np.mean((rest[k:] - rest[:-k]) ** 2)) for k in (ALIKE_BEATS, 1)]
    ratio = max(apart[0] / max(apart[1], 1e-9), 1.0)
    return _Noise(share, min((np.sqrt(4 * ratio - 3) - 1) / 2, MOST_ALIKE))


def _fitted(seen: _Seen, shapes: _Shapes, noise: _Noise) -> _Fit:
    """Heights of courses that stay, and of two neighbouring declines together, by weighted least squares."""
    error = np.maximum(np.hypot(seen.error_dps, noise.share * seen.course_dps), 1e-6)
    white = _whitening(noise.alike, len(error)) / error
    beats, speeds = white @ seen.speed_dps, shapes.speed @ white.T
    along, power = speeds @ beats, np.maximum(np.sum(speeds**2, axis=-1), 1e-12)
    stays = along[..., -1] / power[..., -1]
    # The normal equations of two heights.
    a, b, c = power[..., :-1], power[..., 1:], np.sum(speeds[..., :-1, :] * speeds[..., 1:, :], axis=-1)
    det = np.maximum(a * b - c * c, 1e-9 * a * b)
    first = (b * along[..., :-1] - c * along[..., 1:]) / det
    second = (a * along[..., 1:] - c * along[..., :-1]) / det
    gain_stays = stays * along[..., -1]
    possible = (first > 0) & (second > 0)
    gain_fades = np.where(possible, first * along[..., :-1] + second * along[..., 1:], -np.inf)
    freedom = max(len(error) - FITTED, 1)
    misfit = max((beats @ beats - max(gain_stays.max(), gain_fades.max())) / freedom, 1.0)
    # How well each explains the beats, whose scatter only they tell (Student's t), less how many heights
    # would: flat in the height and in its parts.
    gains = _flat(gain_stays, gain_fades)
    known = -max(len(error) - HEIGHTS, 1) * np.log1p((gains.max() - gains) / (freedom * misfit))
    many_stays = np.log(power[..., -1] / misfit) / 2 - shapes.prior[..., 0] - np.log(seen.stays)
    many_fades = np.log(det / misfit**2 / (2 * np.pi)) / 2 + np.log(np.where(possible, first + second, 1.0))
    many_fades -= shapes.prior + np.log((1 - seen.stays) / det.shape[-1])
    logs = known / 2 - _flat(many_stays, many_fades)
    weight = np.exp(logs - logs.max())
    variance = misfit * np.maximum(_flat(1 / power[..., -1], (a + b - 2 * c) / det), 0.0)
    peaks = Peaks(
        _flat(stays, first + second),
        np.sqrt(variance),
        _flat(shapes.top_s[..., -1], shapes.top_s[..., :-1]),
        weight / weight.sum(),
        freedom,
    )
    if gain_stays.max() > gain_fades.max():
        k = np.unravel_index(np.argmax(gain_stays), stays.shape)
        return _Fit(stays[k] * shapes.speed[(*k, -1)], peaks)
    k = np.unravel_index(np.argmax(gain_fades), first.shape)
    return _Fit(first[k] * shapes.speed[k] + second[k] * shapes.speed[(*k[:-1], k[-1] + 1)], peaks)


def _flat(stays: Floats, fades: Floats) -> Floats:
    return np.r_[stays.ravel(), fades.ravel()]


def _whitening(alike: float, n: int) -> Floats:
    """(n, n) that makes noise white of which each value is `alike` correlated with the one before."""
    white = (np.eye(n) - alike * np.eye(n, k=-1)) / np.sqrt(1 - alike**2)
    white[0, 0] = 1.0
    return white
