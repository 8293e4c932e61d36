"""When the response to an irrigation was at its fastest: told by every course that its beats allow.

A polynomial through the beats has its peak where its degree puts it, and alertness that comes and goes moves
the peak without scattering neighbouring beats. So many courses are laid through the beats, each with the
noise of its beats and with an alertness that varies by so much for so long. Each counts as much as the beats
speak for it (Bayes' rule, heights equally likely); what all leave open is the doubt.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.ndimage import median_filter

from analysis.estimate import Z_95, Estimate

Floats = NDArray[np.float64]
Course = Callable[[Floats], Floats]  # share of the peak, by the time to or from it as a share of a usual one
HIGH = 0.5  # share of the culmination: slower beats say little of the peak, and their course may be another
USUAL_BEATS = 9  # whose median tells whether they are that fast
NEAR_S = 5.0  # about the middle of the culmination, whose median it is a share of
LEAST_BEATS = 12
BLOCK_S = 2.0  # of neighbouring beats that are taken together
LEAST_BLOCKS = 6
STEP_S, REACH_S = 1.5, 35.0  # times of the peak that are tried, on each side of the culmination
TOP_ERROR_S = STEP_S / 12**0.5  # of a time between two that are tried
EDGE = 0.01  # as likely at the first or last time that is tried: the peak may lie beyond
# Begins after 10 to 30 s, fastest at 50 to 90, over after 90 to 150 (clinical reference 17.4, from memory):
# how long it rises and falls, as wide as a rounded peak is, and the standard deviation of the logarithms.
RISE_S, FALL_S, WIDTH_S, RATIO = 45.0, 35.0, 30.0, 0.4
# How likely are, before any beat was seen (design choices): a pointed peak, a rounded one, one that is
# pointed to one side or rounded unlike on both.
POINTED, ROUNDED, MIXED = 0.6, 0.28, 0.12
SKEWS = (1.0, 2.0, 4.0, 12.0)  # of rounded peaks x^k exp(k (1 - x)): the larger, the more alike both sides
# Shares by which alertness varies and how likely they are; for how many seconds it keeps (design choices).
ALERTNESS = ((0.01, 16.0), (0.03, 2.0), (0.06, 1.0), (0.12, 1.0))
KEEPS_S = (4.0, 10.0, 30.0)


class _Seen(NamedTuple):
    """Blocks of fast beats, each (n,)."""

    time_s: Floats
    speed_dps: Floats
    variance: Floats  # of the mean of its beats
    course_dps: Floats  # about how fast it truly is


def peak_time(time_s: Floats, speed_dps: Floats, error_dps: Floats, about_s: float) -> Estimate | str:
    """When the speeds (n,) of a response were at their fastest, s, near `about_s`; or why that is not known.

    `time_s` (n,) rises, `error_dps` (n,) are the standard errors of the beats, NaN where not known.
    """
    seen = _fast_blocks(time_s, speed_dps, np.nan_to_num(error_dps), about_s)
    if seen is None:
        return "too few beats about the culmination"
    first, last = max(about_s - REACH_S, seen.time_s[0]), min(about_s + REACH_S, seen.time_s[-1])
    tops = np.arange(first, last + 1e-9, STEP_S)
    share = _allowed(seen, tops)
    if max(share[0], share[-1]) > EDGE:
        return "no peak inside the time that was searched"
    value = float(tops @ share)
    edges = np.r_[tops, tops[-1] + STEP_S] - STEP_S / 2
    low, high = np.interp((0.025, 0.975), np.r_[0.0, np.cumsum(share)], edges)
    reach = Z_95 * TOP_ERROR_S
    low, high = value - float(np.hypot(value - low, reach)), value + float(np.hypot(high - value, reach))
    return Estimate(value, (high - low) / 2 / Z_95, (low, high))


def _fast_blocks(time: Floats, speed: Floats, error: Floats, about_s: float) -> _Seen | None:
    """The beats about the culmination that are not much slower; None with too few."""
    near = np.abs(time - about_s) <= NEAR_S
    if not near.any() or np.median(speed[near]) <= 0:
        return None
    usual = median_filter(speed, USUAL_BEATS, mode="nearest")
    slow_s = time[usual < HIGH * float(np.median(speed[near]))]
    since = max(slow_s[slow_s < about_s], default=-np.inf)
    until = min(slow_s[slow_s > about_s], default=np.inf)
    fast = (time > since) & (time < until)
    time, speed, usual, error = time[fast], speed[fast], usual[fast], error[fast]
    if len(time) < LEAST_BEATS:
        return None
    block = np.unique((time - time[0]) // BLOCK_S, return_inverse=True)[1]
    count = np.bincount(block)
    if len(count) < LEAST_BLOCKS:
        return None
    at_s, mean, course = (np.bincount(block, values) / count for values in (time, speed, usual))
    # How beats stray from both neighbours: what changes slowly is not in it.
    strays, own = np.diff(speed, 2) / np.sqrt(6.0), float(np.median(error)) ** 2
    share = max(float(np.mean(strays**2)) - own, 0.0) / float(np.mean(usual**2))
    return _Seen(at_s, mean, (own + share * course**2) / count, course)


def _allowed(seen: _Seen, tops: Floats) -> Floats:
    """How likely each time (k,) of the peak is, of all courses and noises together."""
    groups = _groups(seen.time_s[None] - tops[:, None])
    shapes = np.concatenate([shape for shape, _ in groups], axis=1)
    known = np.concatenate([likely for _, likely in groups])
    flat = shapes.reshape(-1, shapes.shape[-1])
    logs = np.array([likely + _evidence(white, seen.speed_dps, flat) for likely, white in _whitenings(seen)])
    weight = np.exp(logs - logs.max()).sum(axis=0).reshape(len(tops), -1) @ known
    return weight / weight.sum()


def _groups(since_s: Floats) -> list[tuple[Floats, Floats]]:
    """Courses of height 1 (k, many, n) at times (k, n) since the peak, and how likely each is (many,)."""
    left, gone = np.maximum(-since_s, 0.0)[:, None], np.maximum(since_s, 0.0)[:, None]

    def both(share: float, rise: Course, fall: Course, tried: int) -> tuple[Floats, Floats]:
        rises_s, falls_s = np.geomspace(18.0, 90.0, tried), np.geomspace(14.0, 110.0, tried)
        before = rise(np.minimum(left / rises_s[:, None], 1.0))[:, :, None]
        shapes = before * fall(gone / falls_s[:, None])[:, None]
        likely = np.outer(_about(rises_s, RISE_S), _about(falls_s, FALL_S)).ravel()
        return shapes.reshape(len(since_s), -1, since_s.shape[1]), share * likely

    found = [both(POINTED, _even, _exponential, 9)]
    widths_s = np.geomspace(14.0, 70.0, 9)
    for skew in SKEWS:
        x = np.maximum(1 + since_s[:, None] / (widths_s[:, None] * np.sqrt(skew)), 1e-9)
        found.append((np.exp(skew * (np.log(x) + 1 - x)), ROUNDED / len(SKEWS) * _about(widths_s, WIDTH_S)))
    pairs = ((_soft, _exponential), (_soft, _slackening), (_even, _slackening))
    return found + [both(MIXED / len(pairs), *pair, 5) for pair in pairs]


def _about(seconds: Floats, usual_s: float) -> Floats:
    """How likely times (k,) are that lie about a usual one; sum 1."""
    likely = np.exp(-0.5 * (np.log(seconds / usual_s) / RATIO) ** 2)
    return likely / likely.sum()


def _even(left: Floats) -> Floats:
    return 1 - left


def _soft(left: Floats) -> Floats:
    return (1 + np.cos(np.pi * left)) / 2


def _exponential(gone: Floats) -> Floats:
    return np.exp(-gone)


def _slackening(gone: Floats) -> Floats:
    return (1 + 1.8 * gone) * np.exp(-1.8 * gone)


def _whitenings(seen: _Seen) -> Iterator[tuple[float, Floats]]:
    """Matrices (n, n) that make the noise of the blocks white, and logarithms of how likely each noise is."""
    apart_s = np.abs(seen.time_s[:, None] - seen.time_s)
    speeds = np.outer(seen.course_dps, seen.course_dps)
    for share, likely in ALERTNESS:
        for keeps_s in KEEPS_S:
            noise = np.diag(seen.variance) + share**2 * speeds * np.exp(-apart_s / keeps_s)
            root = np.linalg.cholesky(noise)
            white = solve_triangular(root, np.eye(len(root)), lower=True)
            yield float(np.log(likely) + np.sum(np.log(np.diag(white)))), white


def _evidence(white: Floats, speed: Floats, shapes: Floats) -> Floats:
    """Logarithm of how well each course (k,) explains the speeds, whatever its height; all beat forward."""
    beats, courses = white @ speed, shapes @ white.T
    along, power = courses @ beats, np.sum(courses**2, axis=1)
    return np.where(along > 0, (along**2 / power - beats @ beats) / 2, -np.inf) - np.log(power) / 2
