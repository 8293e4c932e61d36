"""Periodic alternation: nystagmus that turns round in time, its reversals and its period.

A pattern recorded for 4 to 5 minutes reverses about every 90 to 120 s (Leigh & Zee, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from analysis.beats import Beat
from analysis.estimate import Estimate

Floats = NDArray[np.float64]
ROUNDS = 4  # of moving the fit to the reversal
WIDER = 1.5  # than the fit says: what wanders slower than it sees (chosen on 2,000 simulated wandering eyes)
LEAST_FITTED = 8  # beats about a reversal


@dataclass(frozen=True, slots=True)
class AlternationSettings:
    """Design choices, for reversals every minute or slower."""

    least_s: float = 180.0  # of a recording that may show it
    block_s: float = 10.0  # over which velocities are taken together
    least_beats: int = 3  # of a block
    least_dps: float = 1.0  # of both directions, for a turn to count
    least_run_s: float = 20.0  # of nystagmus one way, on both sides of a reversal
    fitted_s: float = 40.0  # on both sides of a reversal, to find when it was
    together_s: float = 8.0  # within which velocities stray together (chosen on simulated wandering eyes)


@dataclass(frozen=True, slots=True)
class Alternation:
    """Reversals, s from the recording's zero, and twice the time between two of them."""

    reversals_s: tuple[Estimate, ...]
    period_s: Estimate | str  # or why it is not known


def alternation(
    beats: Sequence[Beat],
    axis: int,
    start_s: float,
    end_s: float,
    settings: AlternationSettings | None = None,
) -> Alternation | str:
    """Reversals of slow-phase velocity on an axis from `start_s` to `end_s`; or why none can be told.

    Raises ValueError for a span that is not one.
    """
    if not start_s < end_s:
        raise ValueError(f"end_s must be later than start_s, got {start_s} to {end_s}")
    settings = settings or AlternationSettings()
    if end_s - start_s < settings.least_s:
        return f"{end_s - start_s:.0f} s recorded, {settings.least_s:g} needed"
    inside = [b for b in beats if b.accepted and start_s <= b.slow_start_s and b.quick_end_s <= end_s]
    rows = [((b.slow_start_s + b.slow_end_s) / 2, b.slow_phase_velocity_dps[axis]) for b in inside]
    known = np.array([row for row in rows if math.isfinite(row[1])]).reshape(-1, 2)
    if len(known) < 2 * settings.least_beats:
        return f"{len(known)} beats, {2 * settings.least_beats} needed"
    time, speed = known.T
    found = [r for at in _turns(time, speed, settings) if (r := _reversal(time, speed, at, settings))]
    return Alternation(tuple(found), _period(found))


def _turns(time: Floats, speed: Floats, settings: AlternationSettings) -> list[float]:
    """About when the direction changed, between runs that are long and fast enough."""
    block = np.floor(time / settings.block_s).astype(np.int64)
    middles, medians = [], []
    for k in np.unique(block):
        mine = block == k
        if np.count_nonzero(mine) >= settings.least_beats:
            middles.append(float(time[mine].mean()))
            medians.append(float(np.median(speed[mine])))
    runs: list[list[int]] = []
    for k, value in enumerate(medians):
        if abs(value) < settings.least_dps:
            continue
        if runs and np.sign(medians[runs[-1][-1]]) == np.sign(value):
            runs[-1].append(k)
        else:
            runs.append([k])
    long = [r for r in runs if middles[r[-1]] - middles[r[0]] >= settings.least_run_s - settings.block_s]
    return [
        (middles[one[-1]] + middles[other[0]]) / 2
        for one, other in pairwise(long)
        if np.sign(medians[one[0]]) != np.sign(medians[other[0]])
    ]


def _reversal(time: Floats, speed: Floats, about_s: float, settings: AlternationSettings) -> Estimate | None:
    """When the velocity passes 0: an odd cubic about that moment, moved until it fits.

    Errors heed that neighbouring beats stray together.
    """
    at_s = about_s
    fitted = None
    for _ in range(ROUNDS):
        fitted = _fit(time - at_s, speed, settings.fitted_s)
        if fitted is None:
            return None
        at_s -= float(fitted[2][0] / fitted[2][1])
    if fitted is None:
        return None
    since, bread, fit, scores = fitted
    lags = max(1, min(round(settings.together_s * since.size / np.ptp(since)), since.size // 4))
    meat = scores.T @ scores
    for lag in range(1, lags + 1):
        across = scores[lag:].T @ scores[:-lag]
        meat += (1 - lag / (lags + 1)) * (across + across.T)
    spread = float((bread @ meat @ bread)[0, 0]) * since.size / (since.size - 3)
    error = WIDER * math.sqrt(max(spread, 0.0)) / abs(float(fit[1]))
    reach = float(stdtrit(max(since.size / lags - 3, 3), 0.975)) * error
    return Estimate(at_s, error, (at_s - reach, at_s + reach))


def _fit(since: Floats, speed: Floats, reach_s: float) -> tuple[Floats, Floats, Floats, Floats] | None:
    """Times used (n,), inverse (3, 3), coefficients (3,) and scores (n, 3) of level, slope and odd bend."""
    near = np.abs(since) <= reach_s
    since, v = since[near], speed[near]
    if since.size < LEAST_FITTED or not since.min() < 0 < since.max():
        return None
    columns = np.column_stack((np.ones(since.size), since, since**3))
    bread = np.linalg.pinv(columns.T @ columns).astype(np.float64)
    fit = bread @ columns.T @ v
    if fit[1] == 0 or not abs(fit[0] / fit[1]) <= reach_s / 2:
        return None
    return since, bread, fit, columns * (v - columns @ fit)[:, None]


def _period(reversals: Sequence[Estimate]) -> Estimate | str:
    """Twice the mean time between reversals.

    From three on it is taken over whole periods, from every second one, as both directions may last
    differently.
    """
    if len(reversals) < 2:
        return f"{len(reversals)} reversal{'s' * (len(reversals) != 1)}, 2 needed"
    even = (len(reversals) - 1) // 2 * 2
    first, last, periods = reversals[0], reversals[even], even / 2
    if not even:
        last, periods = reversals[1], 0.5
    period = (last.value - first.value) / periods
    error = math.hypot(first.standard_error, last.standard_error) / periods
    reach = math.hypot(*((e.interval[1] - e.interval[0]) / 2 for e in (first, last))) / periods
    return Estimate(period, error, (period - reach, period + reach))
