"""Smooth pursuit of a target on a sine: gain, phase, both directions and the share of saccades.

Saccades and what lies beside them are taken out; what is left is cut into short pieces. A model of velocity,
integrated, is held against the positions within each piece, each with an offset of its own: so saccades that
bring the eye back to the target count nothing, and no sample has to be differentiated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from analysis.estimate import LARGEST, Z_95, Estimate, must_be_finite
from analysis.nystagmus import samples_in
from analysis.phases import find_phases
from analysis.stimulus import Shown
from analysis.trace import Trace

Floats = NDArray[np.float64]
ROUNDS = 4  # of the lead, and of leaving out pieces that stray
STRAY = 3.0  # usual slopes left over, beyond which a piece holds a saccade that was not found (design choice)
TO_SD = 1.4826
LEAST_PIECES = 8
ONE_SIDED = (3, 4)  # of the measures: gain to the right and to the left
WANDER_DPS = 0.15  # usual slow drift of an eye, standard deviation, spread over ...
WANDER_HZ = 0.5  # ... frequencies up to this (design choices)
# What goes at twice the target's frequency looks like unequal sides: |cos x| is 2/pi + 4/(3 pi) cos 2x + ...,
# and strays from its mean by 1/2 - 4/pi^2 (a variance).
TWICE = 2 / (3 * math.pi) / (0.5 - 4 / math.pi**2)


@dataclass(frozen=True, slots=True)
class PursuitSettings:
    """Clinical reference 10 unless marked as a design choice."""

    dropped_cycles: int = 1
    guard_s: float = 0.03  # beside each saccade, taken out with it
    piece_s: float = 0.2  # longest piece with one offset (chosen on simulated wandering eyes)
    shortest_s: float = 0.04  # a piece below it says nothing (design choice)
    least_seen: float = 0.5  # of a cycle, to be used (design choice)
    least_cycles: int = 2  # design choice


@dataclass(frozen=True, slots=True)
class Pursuit:
    """What one frequency showed; velocities signed, phase negative where the eye lags."""

    gain: Estimate
    phase_deg: Estimate
    bias_dps: Estimate
    gain_right: Estimate  # toward positive
    gain_left: Estimate
    asymmetry_percent: Estimate
    saccade_percent: Estimate
    cycles: int
    cycles_dropped: int  # for the eye was not seen


@dataclass(frozen=True, slots=True)
class Sine:
    """A target on a sine: amplitude a and phase p of x = a sin(2 pi f t + p), t from the recording's zero."""

    amplitude_deg: float
    frequency_hz: float
    phase_rad: float


def sine_of(shown: Shown, frequency_hz: float) -> Sine | str:
    """The horizontal sine that a target moved on, or why it did not.

    Raises ValueError for a frequency that is not finite and above 0.
    """
    if not (math.isfinite(frequency_hz) and frequency_hz > 0):
        raise ValueError(f"frequency_hz must be finite and above 0, got {frequency_hz}")
    angle = 2 * np.pi * frequency_hz * shown.time_s
    if shown.time_s.size < 20 or angle[-1] - angle[0] < 2 * np.pi:
        return "the target did not move over a whole cycle"
    columns = np.column_stack((np.sin(angle), np.cos(angle), np.ones(angle.size)))
    found, *_ = np.linalg.lstsq(columns, shown.position_deg[:, 0], rcond=None)
    size = math.hypot(found[0], found[1])
    rest = shown.position_deg[:, 0] - columns @ found
    if not size > 1.0 or rest.std() > 0.05 * size:
        return f"the target did not move on a sine of {frequency_hz:g} Hz"
    return Sine(size, frequency_hz, math.atan2(found[1], found[0]))


def pursuit(
    trace: Trace,
    target: Sine,
    start_s: float,
    end_s: float,
    settings: PursuitSettings | None = None,
) -> Pursuit | str:
    """How an eye follows a horizontal target, first cycles dropped; or why that is not known.

    Raises ValueError for a span that is not one, and for a target that does not move.
    """
    must_be_finite(start_s=start_s, end_s=end_s)
    if not start_s < end_s:
        raise ValueError(f"end_s must be later than start_s, got {start_s} to {end_s}")
    if not all(0 < x <= LARGEST for x in (target.amplitude_deg, target.frequency_hz)):
        raise ValueError(f"target must have a finite amplitude and frequency above 0, got {target}")
    settings = settings or PursuitSettings()
    period_s = 1 / target.frequency_hz
    edges = np.arange(start_s + settings.dropped_cycles * period_s, end_s + 0.02 * period_s, period_s)
    seen = [c for c in pairwise(edges.tolist()) if _seen(trace, *c) >= settings.least_seen]
    if len(seen) < settings.least_cycles:
        return f"the eye was seen in {len(seen)} cycles, {settings.least_cycles} needed"
    fast = find_phases(trace).fast  # unsure ones too: to leave out a piece too much costs little
    halves = [half for a, b in seen for half in ((a, (a + b) / 2), ((a + b) / 2, b))]
    pieces = [piece for cycle in seen for piece in _pieces(trace, fast, *cycle, settings)]
    fitted = _fit(trace, pieces, target)
    if fitted is None:
        return "too little of the eye was seen between saccades"
    values, others = fitted
    mean_gain = float(values[0])
    peak_dps = 2 * np.pi * target.frequency_hz * target.amplitude_deg
    once, twice = (_strayed_dps(k * target.frequency_hz, len(seen) * period_s) / peak_dps for k in (1, 2))
    made = _with_errors(values, others, once, twice, peak_dps)
    return Pursuit(
        *made,
        saccade_percent=_saccade_share(fast, halves, mean_gain * peak_dps),
        cycles=len(seen),
        cycles_dropped=len(edges) - 1 - len(seen),
    )


def _strayed_dps(frequency_hz: float, seconds: float) -> float:
    """What an eye that wanders about a place adds at a frequency in every cycle alike, standard deviation.

    What wandered off comes back: its velocity grows with the frequency.
    """
    if frequency_hz > WANDER_HZ:
        return 0.0
    return WANDER_DPS * math.sqrt(3 / (WANDER_HZ * seconds)) * frequency_hz / WANDER_HZ


def _with_errors(
    values: Floats, others: Floats, once: float, twice: float, peak_dps: float
) -> list[Estimate]:
    """The measures (6,) with their errors from those (k, 6) without each of k half cycles (jackknife).

    The gain to one side hangs on the half cycles to that side alone, half of the time. `once` and `twice`,
    shares of the target's velocity, are what an eye that wanders at its frequency, and at twice that, adds in
    every cycle alike.
    """
    gain, uneven = float(values[0]), TWICE * twice
    half = math.hypot(once, uneven)
    bias_dps = 2 / math.pi * uneven * peak_dps
    alike = (once, math.degrees(once / gain), bias_dps, half, half, 100 * uneven / gain)
    made = []
    for k, value in enumerate(values.tolist()):
        own = others[:, k]
        if k in ONE_SIDED:
            own = own[np.argsort(np.abs(own - value))[-math.ceil(len(own) / 2) :]]
        count = len(own)
        again = math.sqrt((count - 1) / count * float(((own - own.mean()) ** 2).sum()))
        reach = math.hypot(
            float(stdtrit(max(count - 1 - (k not in ONE_SIDED), 1), 0.975)) * again, Z_95 * alike[k]
        )
        made.append(Estimate(value, math.hypot(again, alike[k]), (value - reach, value + reach)))
    return made


def _seen(trace: Trace, start_s: float, end_s: float) -> float:
    part = samples_in(trace, start_s, end_s)
    return float(np.count_nonzero(trace.valid[part])) / (trace.rate_hz * (end_s - start_s))


def _model(target: Sine, time: Floats, lead_rad: float) -> Floats:
    """Positions of eyes that follow only to positive, only to negative, a quarter ahead, and drift.

    (n, 4); velocities are those of the target, `lead_rad` ahead, and 1 deg/s.
    """
    angle = 2 * np.pi * target.frequency_hz * time + target.phase_rad + lead_rad
    turns = np.floor((angle + np.pi / 2) / np.pi)  # half cycles; even ones go to positive
    place = np.sin(angle)
    up = np.where(turns % 2 == 0, turns + place, turns)  # grows by 2 in each rising half, then rests
    size = target.amplitude_deg
    return np.column_stack((size * up, size * (place - up), size * np.cos(angle), time))


def _pieces(
    trace: Trace, fast: NDArray[np.void], start_s: float, end_s: float, settings: PursuitSettings
) -> list[tuple[int, int]]:
    """First sample and the one after the last of the pieces without saccades."""
    part = samples_in(trace, start_s, end_s)
    time = trace.time_s[part]
    good = trace.valid[part].copy()
    for step in fast[(fast["end_s"] > start_s - 1) & (fast["start_s"] < end_s + 1)]:
        good &= (time < step["start_s"] - settings.guard_s) | (time > step["end_s"] + settings.guard_s)
    edges = np.diff(np.r_[False, good, False].astype(np.int8))
    found = []
    for first, last in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        count = max(1, math.ceil((time[last - 1] - time[first]) / settings.piece_s))
        cuts = np.linspace(first, last, count + 1).astype(int)
        found += [
            (part.start + a, part.start + b)
            for a, b in pairwise(cuts.tolist())
            if b - a >= 3 and time[b - 1] - time[a] >= settings.shortest_s
        ]
    return found


def _fit(trace: Trace, spans: list[tuple[int, int]], target: Sine) -> tuple[Floats, Floats] | None:
    """The measures (6,) of `Pursuit` in its order, and (k, 6) those without each of k half cycles.

    Within a piece only its shape counts, not its place. None where they are not determined.
    """
    pieces = [
        (trace.time_s[a:b][trace.valid[a:b]], trace.position_deg[a:b, 0][trace.valid[a:b]]) for a, b in spans
    ]
    if len(pieces) < LEAST_PIECES:
        return None
    within, place = (np.concatenate([x - x.mean() for x in column]) for column in zip(*pieces, strict=True))
    of = np.repeat(np.arange(len(pieces)), [t.size for t, _ in pieces])
    angle = 2 * np.pi * target.frequency_hz * np.array([t.mean() for t, _ in pieces]) + target.phase_rad
    half_of = np.floor(angle / np.pi + 0.5).astype(np.int64)[of]  # from one turn of the target to the next
    kept, lead_rad = np.ones(of.size, dtype=bool), 0.0
    columns, found = np.empty((0, 4)), np.zeros(4)
    for left in range(ROUNDS - 1, -1, -1):
        columns = np.concatenate([_centred(_model(target, t, lead_rad)) for t, _ in pieces])
        found = _solved(columns[kept], place[kept])
        if found is None or not found[0] + found[1] > 0:
            return None
        if left:
            lead_rad += math.atan2(2 * found[2], found[0] + found[1])
            kept = _not_stray(place - columns @ found, columns @ found, within, of, half_of)[of]
    others = []
    for half in np.unique(half_of[kept]):
        rest = kept & (half_of != half)
        other = _solved(columns[rest], place[rest])
        if other is not None:
            others.append(_measures(other, lead_rad))
    return (_measures(found, lead_rad), np.array(others)) if len(others) > 2 else None


def _solved(columns: Floats, place: Floats) -> Floats | None:
    """Least squares; None where the columns do not determine it."""
    found, _, rank, _ = np.linalg.lstsq(columns, place, rcond=None)
    return found.astype(np.float64) if rank == columns.shape[1] else None


def _measures(found: Floats, lead_rad: float) -> Floats:
    """Gain, phase, bias, gain to both sides and asymmetry of the coefficients of `_model`."""
    right, left, across, bias = found.tolist()
    phase = math.degrees(lead_rad + math.atan2(2 * across, right + left))
    return np.array([(right + left) / 2, phase, bias, right, left, 100 * (right - left) / (right + left)])


def _centred(columns: Floats) -> Floats:
    return columns - columns.mean(axis=0)


def _not_stray(
    rest: Floats, model: Floats, time: Floats, of: NDArray[np.int64], half_of: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Which pieces hold no saccade that was not found: their slopes stray no further than the others'.

    `rest` (n,) and `model` (n,) of the samples, `time` (n,) within the piece, `of` (n,) which piece. Each
    half cycle is held against a gain of its own: gains differ, and must not be made alike.
    """
    count = int(of[-1]) + 1
    spread = np.bincount(of, time**2, count)
    away, usual = (np.bincount(of, time * x, count) / spread for x in (rest, model))
    half = half_of[np.searchsorted(of, np.arange(count))]
    for k in np.unique(half):
        mine = half == k
        fast = mine & (np.abs(usual) >= 0.3 * np.abs(usual[mine]).max())
        away[mine] -= float(np.median(away[fast] / usual[fast])) * usual[mine]
    away = np.abs(away)
    return away <= STRAY * TO_SD * np.median(away)


def _saccade_share(fast: NDArray[np.void], halves: list[tuple[float, float]], peak_dps: float) -> Estimate:
    """100 x way covered by saccades / whole way of the eye, mean of the half cycles."""
    shares = []
    for start_s, end_s in halves:
        inside = fast[(fast["middle_s"] >= start_s) & (fast["middle_s"] < end_s)]
        jumped = float(np.abs(inside["amplitude_deg"][:, 0]).sum())
        slow_s = (end_s - start_s) - float((inside["end_s"] - inside["start_s"]).sum())
        shares.append(100 * jumped / (jumped + 2 / np.pi * peak_dps * max(slow_s, 0.0)))
    mean, count = float(np.mean(shares)), len(shares)
    error = float(np.std(shares, ddof=1)) / math.sqrt(count)
    reach = float(stdtrit(count - 1, 0.975)) * error
    return Estimate(mean, error, (mean - reach, mean + reach))
