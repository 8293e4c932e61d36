"""When the nystagmus that a position provokes begins, and which beats outside of a run still belong to it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.beats import Beat
from analysis.estimate import Estimate
from analysis.nystagmus import axis_sign, samples_in, valid_seconds
from analysis.phases import find_phases
from analysis.positional_runs import CourseSettings, Run
from analysis.rest_noise import RestNoise, rest_noise
from analysis.segmentation import average
from analysis.trace import Trace
from capture.samples import AXES

Floats = NDArray[np.float64]
Span = tuple[float, float]
CERTAIN_ERRORS = 3.0  # of the slow phase of a refused beat that belongs to a run
ONSET_BEATS, ONSET_APART = 5, 1.5  # of a run, and how much further apart a slower one may stand before them
USED_BEATS = 3  # of a run tell its onset, none from its peak on
AWAY_S, QUIET_S = 1.0, 8.0  # from a run, where its onset can not be any more; so many seconds tell enough
BESIDE_S = 0.5  # of trace, by which quick phases at an edge are told
GUARD_S, GUARD_FRAMES = 0.015, 0.75  # beside a quick phase
BLINK_S = 0.06  # not seen for longer
CUT_OFF_S = 0.1  # beside a blink: a quick phase that it cuts off is not told; one of 25 deg lasts so long
LEAST_PART_S, LEAST_PART = 0.03, 3  # of slow movement; samples of it
AVERAGED_S, MOST_IN_PART = 0.008, 50  # samples closer than this are averaged, and where there are more
# Velocity grows as a step that one lag smooths, as the cupula's does under a weight; two or three: ever more
# gently. How likely each is before anything was seen: of six tried on courses that rise straight, rounded, as
# a square and an exponential (simulated).
LAGS_S, PEAKS_DPS = np.geomspace(0.02, 10.0, 13), np.geomspace(1.0, 400.0, 24)
LIKELY = (0.55, 0.3, 0.15)  # one lag, two, three
VARIED = 0.2  # of the velocity from beat to beat, a share
TRUSTED = 10.0  # samples that the noise told beforehand is worth against those of a part
SAMPLED = ("time_s", "position_deg", "velocity_dps", "valid", "torsion_valid")  # arrays of a trace
ONSETS, ROUNDS, POSSIBLE = 30, 3, 1e-4  # tried at a time, ever closer to those of some likelihood


def first_beat(run: Run, beats: Sequence[Beat], trace: Trace, axis: int, baseline_dps: float = 0.0) -> Beat:
    """The beat with which the nystagmus of a run begins.

    `beats` are all, refused ones too: a slow phase that grows fast looks too small for its quick phase, and
    before those of a run there may be slower ones.
    """
    first, usual_s = run.beats[0], float(np.median(np.diff(run.time_s)[:ONSET_BEATS]))
    before = sorted((b for b in beats if b.quick_end_s <= first.slow_start_s + 1e-9), key=quick_end)
    while before:
        beat = before[-1]
        apart_s = valid_seconds(trace, beat.quick_end_s, first.slow_start_s)
        if apart_s > ONSET_APART * usual_s or not belongs(beat, run, axis, baseline_dps):
            break
        first = before.pop()
    return first


def quick_end(beat: Beat) -> float:
    """When its quick phase ends, s: for sorting."""
    return beat.quick_end_s


def belongs(beat: Beat, run: Run, axis: int, baseline_dps: float) -> bool:
    """Whether a beat outside of a run goes its way beyond doubt."""
    speed = run.sign * (beat.slow_phase_velocity_dps[axis] - baseline_dps)
    doubt = CERTAIN_ERRORS * beat.slow_phase_velocity_se_dps[axis]
    sure = speed > doubt if baseline_dps or not beat.accepted else speed > 0
    return axis_sign(beat, axis) == -run.sign and sure


class _Part(NamedTuple):
    """Slow movement between quick ones, its noise made white and its place taken out."""

    time_s: Floats  # (n,)
    whiten: Floats  # (n, n)
    place: Floats  # (n,) whitened


def onset(
    run: Run,
    first: Beat,
    trace: Trace,
    axis: int,
    reached_s: float,
    quiet: Sequence[Span],
    settings: CourseSettings,
    baseline_dps: float = 0.0,
) -> Estimate:
    """When the run whose first beat is `first` begins, s: median and 95 % interval of what its trace allows.

    From `rest_s` before that beat, at the earliest from `reached_s`, up to a few beats, positions are held
    against those of an eye that rests and then drifts, ever faster up to a peak, each slow phase from its own
    place and a little faster or slower. How the velocity grows is not known: every course counts as much as
    it explains the positions. What blinks hide tells nothing. Noise is that of the eye at rest in `quiet`.
    """
    last = run.beats[min(USED_BEATS - 1, max(run.peak - 1, 0))]
    from_s = max(reached_s, first.slow_start_s - settings.rest_s)
    noise = _noise(run, trace, axis, quiet, settings)
    noise = replace(noise, drift_dps=math.hypot(noise.drift_dps, VARIED * baseline_dps))
    parts = [
        _whitened(time, run.sign * (place - baseline_dps * time), noise, trace.rate_hz)
        for time, place in slow_parts(trace, axis, from_s, last.quick_start_s)
    ]
    if not parts:
        return _evenly(from_s, first.quick_start_s)
    edges, share = _likely(parts, from_s, last.quick_start_s)
    low, middle, high = np.interp((0.025, 0.5, 0.975), np.r_[0.0, np.cumsum(share)], edges).tolist()
    return Estimate(middle, _deviation(edges, share), (low, high))


def _noise(run: Run, trace: Trace, axis: int, quiet: Sequence[Span], settings: CourseSettings) -> RestNoise:
    """That of the seconds nearest to a run, before its onset can have been and after it."""
    rested = []
    for start_s, end_s in quiet:
        low, high = max(start_s, run.end_s + AWAY_S), min(end_s, run.start_s - AWAY_S)
        near = (
            (low, min(end_s, low + QUIET_S)) if start_s >= run.end_s else (max(start_s, high - QUIET_S), high)
        )
        rested += [place for _, place in slow_parts(trace, axis, *near)] if near[0] < near[1] else []
    return rest_noise(rested, trace.rate_hz, settings.usual_wander_dps)


def _evenly(from_s: float, to_s: float) -> Estimate:
    """A time between two of which no more is known."""
    low, high = sorted((from_s, to_s))
    return Estimate((low + high) / 2, (high - low) / math.sqrt(12), (low, high))


def _deviation(edges: Floats, share: Floats) -> float:
    middles = (edges[1:] + edges[:-1]) / 2
    return math.sqrt(float(share @ (middles - share @ middles) ** 2))


def slow_parts(trace: Trace, axis: int, from_s: float, to_s: float) -> list[tuple[Floats, Floats]]:
    """Times and positions of the slow movement between two times, in parts without a quick one or a gap."""
    beside = samples_in(trace, from_s - BESIDE_S, to_s + BESIDE_S)
    near = replace(trace, **{name: getattr(trace, name)[beside] for name in SAMPLED})
    valid = near.torsion_valid if axis == AXES.index("torsional") else near.valid
    time, place = near.time_s[valid], near.position_deg[valid, axis]
    fast, guard_s = find_phases(near).fast, GUARD_S + GUARD_FRAMES / trace.rate_hz
    good = (time > from_s) & (time < to_s)
    for start_s, end_s in zip(fast["start_s"], fast["end_s"], strict=True):
        good &= (time < start_s - guard_s) | (time > end_s + guard_s)
    for gap in np.flatnonzero(np.diff(time) > BLINK_S):
        good &= (time < time[gap] - CUT_OFF_S) | (time > time[gap + 1] + CUT_OFF_S)
    kept = np.flatnonzero(good)
    parts = np.split(kept, np.flatnonzero(np.diff(kept) > 1) + 1)
    return [
        (time[k], place[k])
        for k in parts
        if len(k) >= LEAST_PART and time[k[-1]] - time[k[0]] >= LEAST_PART_S
    ]


def _whitened(time_s: Floats, place_deg: Floats, noise: RestNoise, rate_hz: float) -> _Part:
    group = max(1, round(AVERAGED_S * rate_hz), math.ceil(len(time_s) / MOST_IN_PART))
    time, place = average(time_s, place_deg[:, None], group)
    whiten: Floats = np.linalg.inv(np.linalg.cholesky(noise.covariance(time, group))).astype(np.float64)
    level = whiten.sum(axis=1)
    level /= np.linalg.norm(level)
    whiten -= np.outer(level, level @ whiten)
    return _Part(time, whiten, whiten @ place[:, 0])


def _likely(parts: Sequence[_Part], from_s: float, to_s: float) -> tuple[Floats, Floats]:
    """Edges (k + 1,) of spans of onsets, s, and how likely (k,) each of them is; together 1."""
    edges, share = np.linspace(from_s, to_s, ONSETS + 1), np.full(ONSETS, 1 / ONSETS)
    for _ in range(ROUNDS):
        possible = np.flatnonzero(share > POSSIBLE * share.max())
        low, high = max(possible[0] - 1, 0), min(possible[-1] + 2, ONSETS)
        edges = np.linspace(edges[low], edges[high], ONSETS + 1)
        logs = _log_likelihood(parts, (edges[1:] + edges[:-1]) / 2)
        share = np.exp(logs - logs.max()).sum(axis=(0, 2)) @ LIKELY
        share /= share.sum()
    return edges, share


def _log_likelihood(parts: Sequence[_Part], onsets_s: Floats) -> Floats:
    """(peaks, onsets, lags, how many of them) of every course, but for a constant.

    The velocity of a part is that of the course times a normal factor about 1; how large its noise really is
    only the part itself tells, with what was told beforehand (Student's t): one in which a quick movement was
    not found then cannot outweigh all others.
    """
    peak, onset_s = PEAKS_DPS[:, None, None, None], onsets_s[:, None, None, None]
    varies = (VARIED * peak) ** 2
    found = np.zeros((len(PEAKS_DPS), len(onsets_s), len(LAGS_S), len(LIKELY)))
    for part in parts:
        way = _way(np.maximum(part.time_s - onset_s, 0.0)) @ part.whiten.T
        size, along = np.sum(way**2, axis=-1), way @ part.place
        rest = along - peak * size
        misfit = part.place @ part.place - peak * (along + rest) - varies / (1 + varies * size) * rest**2
        free = len(part.place) - 1 + TRUSTED
        found -= (free * np.log1p(np.maximum(misfit, 0.0) / TRUSTED) + np.log1p(varies * size)) / 2
    return found


def _way(since_s: Floats) -> Floats:
    """(onsets, lags, 3, n) deg at times since an onset (onsets, 1, 1, n), for a peak of 1 deg/s."""
    lag_s = LAGS_S[:, None]
    lags = since_s[:, :, 0] / lag_s
    left = np.exp(-lags)
    ways = (
        lags - 1 + left,
        lags - 2 + (lags + 2) * left,
        lags - 3 + (lags * lags / 2 + 2 * lags + 3) * left,
    )
    return np.stack([lag_s * way for way in ways], axis=2)
