"""The peak of a paroxysm from its smoothed envelope, and how far the smoothing and chance move it.

Smoothing lowers a peak that lies between two beats, and the largest of many smoothed values is the one that
chance raised. How much so is tried on made courses through the same beats and the same smoothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from analysis.estimate import Z_95, Estimate
from analysis.positional_runs import CourseSettings, Run, smoothing

Floats = NDArray[np.float64]
MADE = 200  # courses
SEED = 20  # of their noise, so that a recording has one result
ON_EACH_SIDE = 25  # beats of the peak that are looked at
POINTED = 0.5  # share of what smoothing takes from a pointed peak that is given back; a round one loses less
ROUND = 0.9  # and as much of it is doubt
LEAST_KEPT = 0.05  # of the variance of a beat, in what is left of it about the envelope
TIMES, DECLINES_S = 60, np.r_[np.geomspace(1.0, 40.0, 14), np.inf]


def peak_velocity(run: Run, settings: CourseSettings, wander_dps: float = 0.0) -> Estimate:
    """Peak slow-phase velocity, signed, deg/s."""
    near = slice(max(run.peak - ON_EACH_SIDE, 0), run.peak + ON_EACH_SIDE + 1)
    speed, error = run.sign * run.velocity_dps[near], np.nan_to_num(run.error_dps[near])
    kernel = smoothing(run.time_s[near], speed, run.error_dps[near], settings)
    top, course = _pointed_course(run, near, speed)
    hidden = float(np.max(kernel @ course)) - top
    envelope = kernel @ speed
    raised = []
    for true in (course, envelope):  # a flat top is raised by more than a pointed one
        noise = np.hypot(error, _share(kernel, speed, error) * true)
        made = true + noise * np.random.default_rng(SEED).standard_normal((MADE, len(true)))
        raised.append(np.max(made @ kernel.T, axis=1) - np.max(kernel @ true))
    chance = float(np.median(np.concatenate(raised)))
    value = abs(float(run.envelope_dps[run.peak])) - chance - POINTED * hidden
    few = float(stdtrit(max(len(run.beats) - 2, 1), 0.975)) / Z_95
    spread = float(np.hypot(few * np.mean([np.std(r) for r in raised]), wander_dps))
    reach = float(np.hypot(Z_95 * spread, ROUND * hidden))
    low, high = sorted((run.sign * (value - reach), run.sign * (value + reach)))
    return Estimate(run.sign * value, reach / Z_95, (low, high))


def _share(kernel: Floats, speed: Floats, error: Floats) -> float:
    """By what share of their speed beats scatter about the envelope, beyond their own errors."""
    envelope = kernel @ speed
    kept = np.maximum(1 - 2 * np.diag(kernel) + np.sum(kernel**2, axis=1), LEAST_KEPT)
    fast = envelope > 0.3 * np.max(envelope)
    rest = (speed - envelope)[fast] ** 2 / kept[fast] - error[fast] ** 2
    return float(np.sqrt(max(np.sum(rest) / np.sum(envelope[fast] ** 2), 0.0)))


def _pointed_course(run: Run, near: slice, speed: Floats) -> tuple[float, Floats]:
    """Peak and speed at each beat (n,) of the course that fits best: an even rise, an exponential decline."""
    beats = run.beats[near]
    edges = np.array([(b.slow_start_s, (b.slow_start_s + b.slow_end_s) / 2, b.slow_end_s) for b in beats])
    start_s = run.start_s
    tops = np.linspace(edges[0, 1], edges[-1, 1], TIMES)[:, None, None, None]
    rising = np.clip((edges - start_s) / np.maximum(tops - start_s, 1e-3), 0.0, 1.0)
    shapes = np.where(
        edges < tops, rising, np.exp(-np.maximum(edges - tops, 0.0) / DECLINES_S[:, None, None])
    ).mean(axis=3)
    heights = (shapes @ speed) / np.maximum(np.sum(shapes**2, axis=2), 1e-9)
    rest = np.sum((speed - heights[:, :, None] * shapes) ** 2, axis=2)
    best = np.unravel_index(int(np.argmin(rest)), rest.shape)
    return float(heights[best]), heights[best] * shapes[best]
