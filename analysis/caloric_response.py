"""One irrigation measured from the beats that followed it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import NDArray

from analysis.beats import Beat
from analysis.estimate import Estimate, must_be_finite, student_factor, with_error
from analysis.median_error import MEDIAN_OVER_MEAN_ERROR
from analysis.nystagmus import drift, middle
from analysis.trace import Trace

# Coefficients of the course that the beats about a culmination stray from: of fewer a pointed response is
# none, which would pass for beats that stray alike (design choice).
COURSE = 8
Floats = NDArray[np.float64]
Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class CaloricSettings:
    """How a culmination is found; seconds from the start of the irrigation. Design choices unless named."""

    searched_s: Span = (30.0, 150.0)  # typical peak 50 to 90 s (from memory)
    envelope_s: float = 5.0  # median of the beats within this
    mean_s: float = 10.0  # mean of the envelope over this, that furthest from the velocity before
    grid_s: float = 0.5
    filled_share: float = 0.7  # of a mean that must have an envelope
    envelope_beats: int = 2
    least_beats: int = 3  # within the mean
    most_hidden_share: float = 0.5  # of the dark before the light: the culmination may lie in it
    summit_s: float = 25.0  # on each side of it, the beats that tell how they stray
    summit_beats: int = 8
    counted_s: float = 30.0  # beats of the culmination
    drift_piece_s: float = 0.25
    declined_share: float = 0.25  # of the response: slower beats are easily missed, and bend the decline


@dataclass(frozen=True, slots=True)
class Culmination:
    """The fastest 10 s after an irrigation, one axis. Slow-phase velocity, signed."""

    velocity: Estimate  # deg/s
    beats: int  # within the culmination's 30 s
    span_s: Span  # of the 10 s, from the recording's zero
    from_drift: bool  # no beats: the slow drift is what is left


def culmination(
    trace: Trace,
    beats: Sequence[Beat],
    axis: int,
    started_s: float,
    ended_s: float,
    lit: Sequence[Span] = (),
    settings: CaloricSettings | None = None,
    before_dps: float = 0.0,
) -> Culmination | str:
    """Culmination of one axis (0, 1, 2) after an irrigation that began at `started_s`, or why there is none.

    `beats` of the eye in order of time; what lies in a span of `lit`, where the patient could fixate, is left
    out, as is all after `ended_s`. `before_dps` is the velocity before the irrigation: the culmination is the
    mean that lies furthest from it, for a spontaneous nystagmus may outdo a weak response against it.

    Raises ValueError for a time or velocity that is not finite.
    """
    must_be_finite(started_s=started_s, ended_s=ended_s, before_dps=before_dps)
    settings = settings or CaloricSettings()
    first_s, last_s = (started_s + s for s in settings.searched_s)
    last_s = min(last_s, ended_s)
    if last_s - first_s < settings.mean_s:
        return f"recorded for {max(ended_s - started_s, 0):.0f} s from the start of the irrigation only"
    time, velocity, error = known_beats(beats, axis, lit)
    grid = np.arange(first_s, last_s + 1e-9, settings.grid_s)
    envelope = _envelope(time, velocity, grid, settings)
    for span in lit:
        envelope[(grid >= span[0]) & (grid <= span[1])] = np.nan
    means = _running_mean(envelope, round(settings.mean_s / settings.grid_s), settings.filled_share)
    if not np.isfinite(means).any():
        return _from_drift(trace, axis, (first_s, last_s), lit, settings)
    best = int(np.nanargmax(np.abs(means - before_dps)))
    span = (float(grid[best]), float(grid[best]) + settings.mean_s)
    inside = (time >= span[0]) & (time <= span[1])
    if np.count_nonzero(inside) < settings.least_beats:
        return _from_drift(trace, axis, (first_s, last_s), lit, settings)
    middle_s, count = sum(span) / 2, int(np.count_nonzero(inside))
    spread = _spread(time, velocity, error, middle_s, count, settings)
    if spread is None:
        spread = middle(velocity[inside], error[inside]).standard_error
    return Culmination(
        with_error(float(means[best]), spread),
        int(np.count_nonzero(np.abs(time - middle_s) <= settings.counted_s / 2)),
        span,
        from_drift=False,
    )


def known_beats(beats: Sequence[Beat], axis: int, lit: Sequence[Span]) -> tuple[Floats, Floats, Floats]:
    """Time, velocity and standard error of the accepted beats that are known on the axis, in the dark."""
    rows = [
        (
            (b.slow_start_s + b.slow_end_s) / 2,
            b.slow_phase_velocity_dps[axis],
            b.slow_phase_velocity_se_dps[axis],
        )
        for b in beats
        if b.accepted
        and math.isfinite(b.slow_phase_velocity_dps[axis])
        and not any(low <= b.quick_end_s and b.slow_start_s <= high for low, high in lit)
    ]
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]


def _envelope(time: Floats, velocity: Floats, grid: Floats, settings: CaloricSettings) -> Floats:
    """Median velocity of the beats about each time of the grid; NaN with too few."""
    low = np.searchsorted(time, grid - settings.envelope_s / 2)
    high = np.searchsorted(time, grid + settings.envelope_s / 2, side="right")
    return np.array(
        [
            float(np.median(velocity[a:b])) if b - a >= settings.envelope_beats else math.nan
            for a, b in zip(low, high, strict=True)
        ]
    )


def _running_mean(values: Floats, count: int, filled_share: float) -> Floats:
    """Mean of `count` and one values from each place on; NaN where too few of them are known."""
    if len(values) < count + 1:
        return np.full(1, np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(values, count + 1)
    known = np.isfinite(windows)
    filled = np.count_nonzero(known, axis=1)
    sums = np.where(known, windows, 0.0).sum(axis=1)
    return np.where(filled >= filled_share * (count + 1), sums / np.maximum(filled, 1), np.nan)


def _spread(
    time: Floats, velocity: Floats, error: Floats, middle_s: float, inside: int, settings: CaloricSettings
) -> float | None:
    """Standard error of the culmination, deg/s, from how beats stray about it; None with too few there."""
    near = np.abs(time - middle_s) <= settings.summit_s
    if np.count_nonzero(near) < max(settings.summit_beats, COURSE):
        return None
    course = Polynomial.fit(time[near] - middle_s, velocity[near], COURSE - 1)
    rest = velocity[near] - course(time[near] - middle_s)
    alike = _alike(rest, inside)
    own = float(np.nanmedian(error[near])) if np.isfinite(error[near]).any() else 0.0
    freedom = max(len(rest) / alike - COURSE, 1.0)  # independent residuals, less those of the course
    scatter = max(math.sqrt(float(rest @ rest) / freedom), own)
    few = student_factor(freedom)  # a scatter that is known from few residuals
    overlap = 1 - settings.envelope_s / settings.mean_s / 3  # beats beside the mean count in it, weighed less
    return few * MEDIAN_OVER_MEAN_ERROR * math.sqrt(overlap / inside) * scatter


def _alike(rest: Floats, count: int) -> float:
    """By how much a mean over `count` neighbours varies more than if they were independent, at least 1.

    Sum of their autocorrelations up to the first that is not above 0 (Bartlett's weights).
    """
    power, wider = float(rest @ rest), 1.0
    for lag in range(1, min(count, len(rest) // 2)):
        alike = float(rest[lag:] @ rest[:-lag]) / power if power > 0 else 0.0
        if alike <= 0:
            break
        wider += 2 * alike * (1 - lag / count)
    return wider


def _from_drift(
    trace: Trace, axis: int, searched: Span, lit: Sequence[Span], settings: CaloricSettings
) -> Culmination | str:
    """The fastest slow drift of 10 s, where the eye made too few beats for an envelope."""
    found: tuple[Estimate, Span] | None = None
    for start_s in np.arange(searched[0], searched[1] - settings.mean_s + 1e-9, settings.mean_s / 2).tolist():
        span = (start_s, start_s + settings.mean_s)
        if any(low <= span[1] and span[0] <= high for low, high in lit):
            continue
        slow = drift(trace, *span, axis, settings.drift_piece_s)
        if slow and slow.count >= settings.filled_share * settings.mean_s / settings.drift_piece_s:
            estimate = with_error(slow.median, slow.standard_error)
            if found is None or abs(estimate.value) > abs(found[0].value):
                found = (estimate, span)
    if found is None:
        return "neither beats nor an unbroken trace for 10 s after the irrigation"
    return Culmination(found[0], 0, found[1], from_drift=True)
