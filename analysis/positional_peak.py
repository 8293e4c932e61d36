"""The peak of a paroxysm from its smoothed envelope, and how far the smoothing and chance move it.

Smoothing lowers a peak that lies between two beats, and the largest of many smoothed values is the one that
chance raised. How much so is tried on made courses through the same beats and the same smoothing.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from analysis.estimate import Z_95, Estimate
from analysis.positional_runs import CourseSettings, Run, smoothing

Floats = NDArray[np.float64]
MADE = 200  # courses
SEED = 20  # of their noise, so that a recording has one result
ON_EACH_SIDE = 25  # beats of the peak that are looked at
POINTED = 0.7  # share of what smoothing takes from a pointed peak that is given back; a round one loses less
ROUND = 0.9  # and as much of it is doubt
APART = 0.8  # of the time between the pointed peak and the largest value is doubt of when it was
LEAST_KEPT = 0.05  # of the variance of a beat, in what is left of it about the envelope
LONG = 20  # beats: less of a course can be read from fewer
APART_BEATS = 3  # an eye's wander is alike over two
EVIDENCE = 9.0  # by so many variances of a beat a decline must fit better than none (3 SD)
TIMES, DECLINES_S = 60, np.r_[np.geomspace(1.0, 40.0, 14), 80.0, 160.0, 320.0, np.inf]


def peak_velocity(run: Run, settings: CourseSettings, wander_dps: float = 0.0) -> Estimate:
    """Peak slow-phase velocity, signed, deg/s; of a long run that stays as fast, the height of its course."""
    speed, error = run.sign * run.velocity_dps, np.nan_to_num(run.error_dps)
    kernel = smoothing(run.time_s, speed, run.error_dps, settings)
    # A long run whose beats scatter about a course no more than those a few beats apart is explained by it.
    fitted, level = _Pointed(run, slice(None)).fitted(speed)
    usual = (
        float(np.mean((speed[APART_BEATS:] - speed[:-APART_BEATS]) ** 2)) / 2 if len(speed) >= LONG else 0.0
    )
    misfit, of_level = (float(np.sum((speed - one.course) ** 2)) for one in (fitted, level))
    explained = misfit < (len(speed) + 2 * np.sqrt(len(speed))) * usual
    hidden = float(np.max(kernel @ fitted.course)) - fitted.height_dps
    raised = []
    for true in (fitted.course,) if explained else (fitted.course, kernel @ speed):
        made = _made(true, _share(kernel, speed, error), error)  # a flat top is raised by more than a pointed
        raised.append(np.max(made @ kernel.T, axis=1) - np.max(kernel @ true))
    chance = float(np.median(np.concatenate(raised)))
    value = abs(float(run.envelope_dps[run.peak])) - chance - POINTED * hidden
    if explained and of_level - misfit < EVIDENCE * usual:
        value = level.height_dps
    spread = float(np.hypot(_few(run) * np.mean([np.std(r) for r in raised]), wander_dps))
    reach = float(np.hypot(Z_95 * spread, ROUND * hidden))
    low, high = sorted((run.sign * (value - reach), run.sign * (value + reach)))
    return Estimate(run.sign * value, reach / Z_95, (low, high))


def peak_time(run: Run, settings: CourseSettings) -> Estimate:
    """When the peak was, s: midway between the largest of the envelope and the turn of a pointed course.

    The latter, an even rise and an exponential decline, is the surer of a pointed peak, and early of a round
    one: how far both are apart is doubt. How far chance moves the turn is tried on made courses.
    """
    near = _near(run)
    speed, error = run.sign * run.velocity_dps[near], np.nan_to_num(run.error_dps[near])
    kernel = smoothing(run.time_s[near], speed, run.error_dps[near], settings)
    pointed = _Pointed(run, near)
    fitted, _ = pointed.fitted(speed)
    tops = pointed.tops_of(_made(fitted.course, _share(kernel, speed, error), error))
    spread = _few(run) * float(np.sqrt(np.mean((tops - fitted.top_s) ** 2)))
    largest_s = float(run.time_s[run.peak])
    value = (fitted.top_s + largest_s) / 2
    reach = float(np.hypot(Z_95 * spread, APART * abs(fitted.top_s - largest_s)))
    return Estimate(value, reach / Z_95, (value - reach, value + reach))


def _near(run: Run) -> slice:
    return slice(max(run.peak - ON_EACH_SIDE, 0), run.peak + ON_EACH_SIDE + 1)


def _few(run: Run) -> float:
    return float(stdtrit(max(len(run.beats) - 2, 1), 0.975)) / Z_95


def _made(course: Floats, share: float, error: Floats) -> Floats:
    """(MADE, n) courses with noise: a share of the speed, and the beats' own errors (n,)."""
    noise = np.hypot(error, share * course)
    return course + noise * np.random.default_rng(SEED).standard_normal((MADE, len(course)))


def _share(kernel: Floats, speed: Floats, error: Floats) -> float:
    """By what share of their speed beats scatter about the envelope, beyond their own errors."""
    envelope = kernel @ speed
    kept = np.maximum(1 - 2 * np.diag(kernel) + np.sum(kernel**2, axis=1), LEAST_KEPT)
    fast = envelope > 0.3 * np.max(envelope)
    rest = (speed - envelope)[fast] ** 2 / kept[fast] - error[fast] ** 2
    return float(np.sqrt(max(np.sum(rest) / np.sum(envelope[fast] ** 2), 0.0)))


class _Fitted(NamedTuple):
    top_s: float
    height_dps: float
    course: Floats  # (n,) speed at each beat


class _Pointed:
    """Courses of an even rise and an exponential decline, as each beat of a run would see them."""

    def __init__(self, run: Run, near: slice) -> None:
        beats = run.beats[near]
        edges = np.array([(b.slow_start_s, (b.slow_start_s + b.slow_end_s) / 2, b.slow_end_s) for b in beats])
        self._tops = np.linspace(edges[0, 0], edges[-1, 1], TIMES)
        tops = self._tops[:, None, None, None]
        rising = np.clip((edges - run.start_s) / np.maximum(tops - run.start_s, 1e-3), 0.0, 1.0)
        falling = np.exp(-np.maximum(edges - tops, 0.0) / DECLINES_S[:, None, None])
        self._shapes = np.where(edges < tops, rising, falling).mean(axis=3)
        self._power = np.maximum(np.sum(self._shapes**2, axis=2), 1e-9)

    def fitted(self, speed: Floats) -> tuple[_Fitted, _Fitted]:
        """The one that fits speeds (n,) best, and the best of those that do not decline."""
        heights = (self._shapes @ speed) / self._power
        explained = heights**2 * self._power
        top, decline = np.unravel_index(int(np.argmax(explained)), heights.shape)
        return self._one(heights, int(top), int(decline)), self._one(
            heights, int(np.argmax(explained[:, -1])), -1
        )

    def _one(self, heights: Floats, top: int, decline: int) -> _Fitted:
        height = float(heights[top, decline])
        return _Fitted(float(self._tops[top]), height, height * self._shapes[top, decline])

    def tops_of(self, speeds: Floats) -> Floats:
        """(m,) times of the peaks of the ones that fit m rows of speeds (m, n) best."""
        explained = (self._shapes @ speeds.T) ** 2 / self._power[:, :, None]
        best = np.argmax(explained.reshape(-1, len(speeds)), axis=0)
        return self._tops[best // len(DECLINES_S)]
