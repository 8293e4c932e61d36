"""Runs of nystagmus that a position provokes, and the envelope of their slow-phase velocity.

Works on one axis of one eye's accepted beats in one position. A run (design choice) is at least three beats
of one direction; it ends where no beat follows within 3 s of seen eye and the eye does not drift on either
(it does where blinks hide the quick phases), or where the slow phase falls below 1 deg/s.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from analysis.beats import Beat
from analysis.median_error import MEDIAN_OVER_MEAN_ERROR
from analysis.nystagmus import NORMAL_SD_PER_MAD, drift, valid_seconds
from analysis.trace import Trace

Floats = NDArray[np.float64]
PIECE_S = 0.25  # of a drift without beats, of which the median counts


@dataclass(frozen=True, slots=True)
class CourseSettings:
    """When beats make a run and how its course is measured. Design choices unless a source is named."""

    run_beats: int = 3  # of one direction
    run_gap_s: float = 3.0  # of seen eye without a beat ends a run
    run_within_s: float = 10.0  # three beats lie closer than this
    least_component_share: float = 0.05  # of the fastest axis; less is cross-talk of a good calibration
    least_dps: float = 1.0  # a slower slow phase ends a run
    false_runs: float = 0.01  # in so many windows chance alone may make a run on an axis
    smoothed_beats: int = 5  # nearest beats that shape the envelope at a beat ...
    hidden_share: float = 0.25  # of the change to the next beat that a peak between beats may hide
    stray_errors: float = 6.0  # a beat further from all that its neighbours let expect is left out ...
    stray_share: float = 0.2  # ... if by more than this share of its own speed
    smoothed_s: float = 2.0  # ... as far as they are this close
    fitted_from_share: float = 0.1  # time constant: from the peak down to this share (10 to 20 %)
    fitted_beats: int = 5
    # An envelope that does not fall below this share of the peak has no time constant.
    fitted_fall: float = 0.6
    bent_from_share: float = 0.1  # a decline is looked at from the peak down to this share ...
    bent_beats: int = 6  # ... if it has so many beats; it is bent where its logarithms lie on a bow ...
    bent_share: float = 0.2  # ... as high as this (of invented patients: sleepy 0.2 to 1, wakeful 0 to 0.2)
    bent_errors: float = 3.0  # ... and by so many standard errors
    uneven_rise_s: float = 5.0  # two sides whose peaks come that much apart after their beginnings ...
    uneven_rise: float = 2.0  # ... and as many times later, were not seen by an equally wakeful patient
    uneven_decline: float = 3.0  # the same, where one fades this many times more slowly than the other ...
    # ... twice of a patient whose lids sank meanwhile: of wakeful ones the healthy side may fade twice as
    # slowly (7.3 and 14.8 s: Front Neurol 2020;11:260, abstract).
    uneven_drowsy: float = 2.0
    edge_share: float = 0.1  # a peak in the first or last tenth of a run is no crescendo-decrescendo
    stopped_errors: float = 4.0  # slower than a decline lets expect: the nystagmus has stopped, not faded
    rest_s: float = 3.0  # of trace before the first beat in which its onset is looked for
    quiet_piece_s: float = 1.0  # of an eye without nystagmus, whose slopes tell how it drifts of itself
    quiet_pieces: int = 5
    usual_wander_dps: float = 0.2  # where too little of it is seen
    steady_errors: float = 3.0  # a rise or fall against the course beyond this many standard errors breaks it


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """Beats of one direction on one axis. Times from the recording's zero; velocities less the baseline."""

    beats: tuple[Beat, ...]
    time_s: Floats  # (n,) middle of each slow phase
    velocity_dps: Floats  # (n,) signed
    error_dps: Floats  # (n,) standard error of each
    envelope_dps: Floats  # (n,) signed, smoothed
    envelope_error_dps: Floats  # (n,)
    peak: int  # index of the envelope's largest to the side of the run

    @property
    def sign(self) -> int:
        """Side to which the slow phase goes: +1 or -1."""
        return int(np.sign(np.median(self.velocity_dps)))

    @property
    def start_s(self) -> float:
        """When its first slow phase begins."""
        return self.beats[0].slow_start_s

    @property
    def end_s(self) -> float:
        """When its last quick phase ends."""
        return self.beats[-1].quick_end_s


def find_runs(
    trace: Trace,
    beats: Sequence[Beat],
    axis: int,
    baseline_dps: float,
    settings: CourseSettings,
    baseline_scatter_dps: float = 0.0,
) -> tuple[Run, ...]:
    """Runs on one axis (0, 1, 2) among accepted beats in order of time, after `baseline_dps` is taken off.

    A run must stand out of the baseline's own scatter from beat to beat, a standard deviation.
    """
    known = [b for b in beats if math.isfinite(b.slow_phase_velocity_dps[axis])]
    if len(known) < settings.run_beats:
        return ()
    velocity = np.array([b.slow_phase_velocity_dps[axis] for b in known]) - baseline_dps
    smooth = _median_of_3(velocity)
    side = np.where(np.abs(smooth) >= settings.least_dps, np.sign(smooth), 0.0)
    ended = (
        _apart(trace, *pair, settings) and not _drifts_on(trace, *pair, axis, baseline_dps, settings)
        for pair in pairwise(known)
    )
    new = [True, *ended]
    starts = np.flatnonzero(np.array(new) | np.r_[True, side[1:] != side[:-1]])
    found = []
    for first, stop in zip(starts, np.r_[starts[1:], len(known)], strict=True):
        if side[first] and stop - first >= settings.run_beats:
            run = _run(known[first:stop], velocity[first:stop], axis, settings)
            if _is_certain(run, settings, baseline_scatter_dps, len(known)):
                found.append(run)
    return tuple(found)


def _median_of_3(values: Floats) -> Floats:
    padded = np.r_[values[0], values, values[-1]]
    return np.median(np.stack((padded[:-2], padded[1:-1], padded[2:])), axis=0)


def _apart(trace: Trace, before: Beat, after: Beat, settings: CourseSettings) -> bool:
    """Whether the eye was seen without a beat for so long that a run has ended."""
    gap_s = after.slow_start_s - before.quick_end_s
    return (
        gap_s > settings.run_gap_s
        and valid_seconds(trace, before.quick_end_s, after.slow_start_s) > settings.run_gap_s
    )


def _drifts_on(
    trace: Trace, before: Beat, after: Beat, axis: int, baseline_dps: float, settings: CourseSettings
) -> bool:
    """Whether between two beats the eye drifts to the side of both: quick phases may hide in blinks."""
    slow = drift(trace, before.quick_end_s, after.slow_start_s, axis, PIECE_S)
    if slow is None:
        return False
    drifts = [b.slow_phase_velocity_dps[axis] - baseline_dps for b in (before, after)]
    sides = {v > 0 for v in (slow.median - baseline_dps, *drifts)}
    return len(sides) == 1 and abs(slow.median - baseline_dps) >= settings.least_dps


def _run(beats: Sequence[Beat], velocity: Floats, axis: int, settings: CourseSettings) -> Run:
    time = np.array([(b.slow_start_s + b.slow_end_s) / 2 for b in beats])
    error = np.array([b.slow_phase_velocity_se_dps[axis] for b in beats])
    envelope, envelope_error = smoothed(time, velocity, error, settings)
    peak = int(np.argmax(np.sign(np.median(velocity)) * envelope))
    return Run(tuple(beats), time, velocity, error, envelope, envelope_error, peak)


def _is_certain(run: Run, settings: CourseSettings, baseline_scatter_dps: float, count: int) -> bool:
    """Whether a run is no chance of noise or of the baseline, and its first three beats close enough.

    It could have begun at each of the `count` beats of its window: the more there are, the surer it must be.
    """
    n = settings.run_beats
    spans = [b.quick_end_s - a.slow_start_s for a, b in zip(run.beats, run.beats[n - 1 :], strict=False)]
    own = float(np.nanmedian(run.error_dps)) if np.isfinite(run.error_dps).any() else 0.0
    error = MEDIAN_OVER_MEAN_ERROR * math.hypot(own, baseline_scatter_dps) / math.sqrt(len(run.beats))
    speed = abs(float(np.median(run.velocity_dps)))
    errors = float(-ndtri(settings.false_runs / 2 / count))
    return min(spans) <= settings.run_within_s and speed > errors * error


def smoothed(
    time_s: Floats, velocity_dps: Floats, error_dps: Floats, settings: CourseSettings
) -> tuple[Floats, Floats]:
    """Envelope at each beat (n,) and its standard error (n,): a robust parabola through the nearest beats.

    The scatter is that of the neighbours about their envelope, and never smaller than the beats' own errors.
    """
    own = np.where(np.isfinite(error_dps), error_dps, 0.0)
    kernel = smoothing(time_s, velocity_dps, error_dps, settings)
    sound = _sound(time_s, velocity_dps, error_dps, settings)
    envelope = kernel @ velocity_dps
    kept = 1 - np.diag(kernel)  # share of its own noise that a residual keeps
    rest = sound * (velocity_dps - envelope) ** 2 / np.maximum(kept, 0.2)
    near = [np.flatnonzero(row) for row in kernel]
    scatter = np.array([max(math.sqrt(float(rest[k].mean())), float(np.median(own[k]))) for k in near])
    steps = np.abs(np.diff(envelope, prepend=envelope[:1], append=envelope[-1:]))
    hidden = settings.hidden_share * np.maximum(steps[:-1], steps[1:])
    return envelope, np.hypot(scatter * np.linalg.norm(kernel, axis=1), hidden)


def smoothing(time_s: Floats, velocity_dps: Floats, error_dps: Floats, settings: CourseSettings) -> Floats:
    """(n, n) that makes the envelope of the velocities at n beats."""
    sound = _sound(time_s, velocity_dps, error_dps, settings)
    whole = np.zeros((len(time_s), len(time_s)))
    for i, row in enumerate(whole):
        beats, kernel = _kernel(time_s, sound, i, settings)
        row[beats] = kernel
    return whole


def _sound(time: Floats, velocity: Floats, error: Floats, settings: CourseSettings) -> NDArray[np.bool_]:
    """Which beats do not stray from what each pair of neighbours, on both sides, lets expect."""
    n = len(time)
    off = np.full((settings.smoothed_beats // 2 + 1, n), np.inf)
    for k in range(1, len(off) + 1):
        if n > 2 * k:
            before, after = slice(None, n - 2 * k), slice(2 * k, None)
            share = (time[k : n - k] - time[before]) / (time[after] - time[before])
            expected = velocity[before] + share * (velocity[after] - velocity[before])
            off[k - 1, k : n - k] = np.abs(velocity[k : n - k] - expected)
    least = off.min(axis=0)
    known = np.isfinite(least)
    if not known.any():
        return np.ones(n, dtype=bool)
    own = float(np.nanmedian(error)) if np.isfinite(error).any() else 0.0
    usual = max(NORMAL_SD_PER_MAD * float(np.median(least[known])), own)
    return (
        ~known | (least <= settings.stray_errors * usual) | (least <= settings.stray_share * np.abs(velocity))
    )


def _kernel(
    time: Floats, sound: NDArray[np.bool_], i: int, settings: CourseSettings
) -> tuple[NDArray[np.int64], Floats]:
    """The beats that shape the envelope at beat `i`, and their weights."""
    reach = 2 * settings.smoothed_beats
    around = np.arange(max(i - reach, 0), min(i + reach + 1, len(time)))
    around = around[sound[around]] if np.count_nonzero(sound[around]) >= 3 else around
    away = np.abs(time[around] - time[i])
    order = np.argsort(away, kind="stable")[: settings.smoothed_beats]
    order = order[(away[order] <= settings.smoothed_s) | (np.arange(len(order)) < 3)]
    beats, away = around[order], away[order]
    degree = 2 if len(beats) >= 5 else int(len(beats) >= 4)
    trust = (1 - (away / (1.1 * max(float(away.max()), 1e-6))) ** 3) ** 3
    powers = (time[beats] - time[i])[:, None] ** np.arange(degree + 1)
    return beats, _solve(powers, trust)[0]


def _solve(powers: Floats, trust: Floats) -> Floats:
    root = np.sqrt(trust)[:, None]
    return np.asarray(np.linalg.pinv(powers * root) * root.T, dtype=np.float64)
