"""The trace: where one eye pointed, when, and which of its samples can be trusted.

Times are the true times of the frames, however uneven; nothing is filled in. Samples within a blink, without
a good pupil or repeated by the camera stay in the arrays and are marked as not valid.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import EyeError
from capture.samples import Eye

if TYPE_CHECKING:
    from analysis.procedure import Recorded
    from capture.calibration import Calibration


@dataclass(frozen=True, slots=True)
class TraceSettings:
    """When a sample counts. The same for every recording."""

    least_pupil_quality: float = 0.6  # 0..1; below it a pupil's centre is not used (design choice)
    least_torsion_quality: float = 0.5  # 0..1 (design choice)
    blink_visible_share: float = 0.5  # 0..1; a pupil covered further than this is a sign of the lid
    blink_height_share: float = 0.7  # short by long axis, against its neighbourhood (design choice)
    blink_min_s: float = 0.06  # shorter losses are flicker (a pupil is away 0.1 to 0.4 s: clinical 3.7)
    blink_before_s: float = 0.05  # cut before the lid's first sign (clinical 27.19)
    blink_after_s: float = 0.1  # cut after its last sign (clinical 27.19)
    # One value on both axes for so long: the tracker repeats itself. An eye that fixates drifts by tenths of
    # a degree a second (from memory), which is more than the steps that files are rounded to (design choice).
    stuck_s: float = 2.0
    greatest_deg: float = 90.0  # across or up; no line of sight lies behind the eye: not in degrees
    block_s: float = 0.5  # the pupil's usual height is the largest median of five such blocks
    longest_step_frames: float = 2.5  # a velocity is not taken over a longer gap


@dataclass(frozen=True, slots=True)
class Trace:
    """One eye's movement in degrees on true frame times. Arrays are read-only.

    Columns of the (n, 3) arrays are horizontal, vertical, torsional; positive is the patient's right, up,
    upper pole toward the patient's right ear.
    """

    eye: Eye
    time_s: NDArray[np.float64]  # (n,) increasing
    position_deg: NDArray[np.float64]  # (n, 3)
    velocity_dps: NDArray[np.float64]  # (n, 3) local difference over the two neighbours, unsmoothed
    valid: NDArray[np.bool_]  # (n,)
    torsion_valid: NDArray[np.bool_]  # (n,) never true where `valid` is not
    calibrated: bool
    direction_proven: bool
    rate_hz: float  # 1 / median frame interval; NaN with fewer than two samples
    blinks_s: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))  # (k, 2) as cut
    stuck_s: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))  # (k, 2) of one value


def make_trace(recording: Recorded, eye: Eye, settings: TraceSettings | None = None) -> Trace:
    """Take one eye's trace from a recording.

    Valid samples have a finite position that an eye can take, a pupil of enough quality, are no copies of the
    picture before, are not stuck at one value and lie outside blinks, each cut from 50 ms before to 100 ms
    after the lid's signs.

    Raises EyeError when the recording has no such eye.
    """
    if eye not in recording.samples:
        raise EyeError(f"The recording holds no samples of the {eye} eye. Choose an eye that was recorded.")
    return trace_of_rows(eye, recording.samples[eye], recording.calibrations.get(eye), settings)


def trace_of_rows(
    eye: Eye, rows: NDArray[np.void], calibration: Calibration | None, settings: TraceSettings | None = None
) -> Trace:
    """As `make_trace`, from one eye's rows of SAMPLE_DTYPE and the calibration that gave their degrees."""
    settings = settings or TraceSettings()
    position = np.column_stack([rows[f"{axis}_deg"] for axis in ("horizontal", "vertical", "torsional")])
    blinks = find_blinks(rows, settings)
    stuck = find_stuck(rows["time_s"], position[:, :2], settings.stuck_s)
    good = (
        (rows["pupil_quality"] >= settings.least_pupil_quality)
        & (rows["repeated"] == 0)
        & ~_within(rows["time_s"], blinks)
        & ~_within(rows["time_s"], stuck)
        & ~_beyond(position, settings.greatest_deg)
    )
    trace = trace_from_arrays(
        eye,
        rows["time_s"],
        position,
        valid=good,
        torsion_valid=rows["torsion_quality"] >= settings.least_torsion_quality,
        calibrated=calibration is not None and calibration.calibrated,
        direction_proven=calibration is not None and calibration.direction == "proven",
        blinks_s=blinks,
        settings=settings,
    )
    return replace(trace, stuck_s=stuck)


def trace_from_arrays(
    eye: Eye,
    time_s: ArrayLike,
    position_deg: ArrayLike,
    valid: ArrayLike | None = None,
    torsion_valid: ArrayLike | None = None,
    calibrated: bool = True,
    direction_proven: bool = True,
    blinks_s: ArrayLike | None = None,
    settings: TraceSettings | None = None,
) -> Trace:
    """Make a trace of positions that are already in degrees.

    `time_s` (n,) must not go back; `position_deg` (n, 3) horizontal, vertical, torsional with NaN for
    missing; `valid` and `torsion_valid` (n,) default to all true; `blinks_s` (k, 2) are start and end of
    blinks whose samples are not valid. A torsion that is NaN is not valid; it does not spoil the other axes.

    Raises ValueError naming the argument whose shape or order is wrong.
    """
    time = np.array(time_s, dtype=np.float64)
    position = np.array(position_deg, dtype=np.float64)
    if time.ndim != 1:
        raise ValueError(f"time_s must have one dimension, got shape {time.shape}")
    if position.shape != (time.size, 3):
        raise ValueError(f"position_deg must have shape ({time.size}, 3), got {position.shape}")
    if not np.all(np.isfinite(time)) or np.any(np.diff(time) < 0):
        raise ValueError("time_s must be finite and must not go back")
    blinks = np.empty((0, 2)) if blinks_s is None else np.array(blinks_s, dtype=np.float64).reshape(-1, 2)
    good = (
        _mask(valid, time.size, "valid") & np.isfinite(position[:, :2]).all(axis=1) & ~_within(time, blinks)
    )
    good[1:] &= np.diff(time) > 0  # two samples at one instant hold one observation
    torsion = _mask(torsion_valid, time.size, "torsion_valid") & good & np.isfinite(position[:, 2])
    steps = np.diff(time)
    interval_s = float(np.median(steps[steps > 0])) if np.any(steps > 0) else np.nan
    longest_s = (settings or TraceSettings()).longest_step_frames * interval_s
    arrays = (time, position, _velocity(time, position, good, torsion, longest_s), good, torsion, blinks)
    for array in arrays:
        array.setflags(write=False)
    return Trace(eye, *arrays[:5], calibrated, direction_proven, 1 / interval_s, blinks)


def find_blinks(rows: NDArray[np.void], settings: TraceSettings | None = None) -> NDArray[np.float64]:
    """Find blinks in rows of SAMPLE_DTYPE: (k, 2) start and end in s, with the cut round the lid's signs.

    The lid shows when the pupil is lost, covered, or suddenly flat. Losses too short for a lid are no
    blinks: only their own samples are missing.
    """
    settings = settings or TraceSettings()
    time = rows["time_s"]
    if time.size < 2:
        return np.empty((0, 2))
    height = rows["minor_px"] / rows["major_px"]
    usual = _usual(time, height, settings.block_s)
    lid = (
        ~np.isfinite(rows["x_px"])
        | (rows["visible_share"] < settings.blink_visible_share)
        | (height < settings.blink_height_share * usual)
    )
    edges = np.diff(np.concatenate(([False], lid, [False])).astype(np.int8))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    long_enough = time[last] - time[first] + np.median(np.diff(time)) >= settings.blink_min_s
    start = time[first[long_enough]] - settings.blink_before_s
    end = time[last[long_enough]] + settings.blink_after_s
    return _joined(start, end)


def find_stuck(
    time_s: NDArray[np.float64], position_deg: NDArray[np.float64], least_s: float
) -> NDArray[np.float64]:
    """(k, 2) first and last time of runs of one and the same position (n, 2) that last for `least_s`."""
    moved = np.any(position_deg[1:] != position_deg[:-1], axis=1)  # NaN is not itself
    bounds = np.concatenate(([0], np.flatnonzero(moved) + 1, [time_s.size]))[: time_s.size + 1]
    first, last = bounds[:-1], bounds[1:] - 1
    long = time_s[last] - time_s[first] >= least_s
    return np.column_stack((time_s[first[long]], time_s[last[long]]))


def unlike_an_eye(trace: Trace, start_s: float, end_s: float) -> str:
    """For how long, in a span, the tracker repeated itself or gave what no eye can do; "" where neither."""
    inside = np.clip(trace.stuck_s, start_s, end_s)
    stuck_s = float((inside[:, 1] - inside[:, 0]).sum())
    shown = slice(*np.searchsorted(trace.time_s, (start_s, end_s)).tolist())
    greatest_deg = TraceSettings().greatest_deg
    beyond_s = float(np.count_nonzero(_beyond(trace.position_deg[shown], greatest_deg))) / trace.rate_hz
    texts = {
        f"the tracker was stuck at one value for {stuck_s:.0f} s": stuck_s > 0,
        f"positions beyond {greatest_deg:g} deg for {beyond_s:.1f} s: not in degrees": beyond_s > 0,
    }
    return "; ".join(text for text, holds in texts.items() if holds)


def _beyond(position_deg: NDArray[np.float64], greatest_deg: float) -> NDArray[np.bool_]:
    return np.any(np.abs(position_deg[:, :2]) > greatest_deg, axis=1)


def _joined(start: NDArray[np.float64], end: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sorted spans (k, 2), with those that touch made one."""
    if not start.size:
        return np.empty((0, 2))
    apart = start[1:] > end[:-1]
    return np.column_stack((start[np.r_[True, apart]], end[np.r_[apart, True]]))


def _usual(time: NDArray[np.float64], value: NDArray[np.float64], block_s: float) -> NDArray[np.float64]:
    """Largest of the medians of the block of each sample and two on both sides; NaN where none is."""
    block = ((time - time[0]) / block_s).astype(np.int64)
    start = np.flatnonzero(np.diff(block, prepend=-1))
    medians = np.full(block[-1] + 5, -np.inf)
    medians[block[start] + 2] = _medians(value, start)
    largest = np.lib.stride_tricks.sliding_window_view(medians, 5).max(axis=1)
    return np.where(np.isfinite(largest), largest, np.nan)[block]


def _medians(value: NDArray[np.float64], start: NDArray[np.int64]) -> NDArray[np.float64]:
    """Median of the finite values of each run that begins at `start`; minus infinity without any."""
    length = np.diff(start, append=value.size)
    run = np.repeat(np.arange(start.size), length)
    table = np.full((start.size, length.max()), np.nan)
    table[run, np.arange(value.size) - start[run]] = np.where(np.isfinite(value), value, np.nan)
    table.sort(axis=1)  # NaN last
    count = np.isfinite(table).sum(axis=1)
    row = np.arange(start.size)
    middle = (table[row, np.maximum(count - 1, 0) // 2] + table[row, count // 2]) / 2
    return np.where(count > 0, middle, -np.inf)


def _within(time: NDArray[np.float64], spans: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether each time lies in one of the (k, 2) sorted spans."""
    if not len(spans):
        return np.zeros(time.size, dtype=bool)
    span = np.searchsorted(spans[:, 0], time, side="right") - 1
    return (span >= 0) & (time <= spans[span, 1])


def _mask(given: ArrayLike | None, size: int, name: str) -> NDArray[np.bool_]:
    if given is None:
        return np.ones(size, dtype=bool)
    mask = np.array(given, dtype=bool)
    if mask.shape != (size,):
        raise ValueError(f"{name} must have shape ({size},), got {mask.shape}")
    return mask


def _velocity(
    time: NDArray[np.float64],
    position: NDArray[np.float64],
    valid: NDArray[np.bool_],
    torsion_valid: NDArray[np.bool_],
    longest_s: float,
) -> NDArray[np.float64]:
    """(x[i+1] - x[i-1]) / (t[i+1] - t[i-1]), to one side at an edge; NaN where neither neighbour is near."""
    velocity = np.full(position.shape, np.nan)
    for axes, good in ((slice(0, 2), valid), (slice(2, 3), torsion_valid)):
        place = np.flatnonzero(good)
        if place.size < 2:
            continue
        near = np.diff(time[place]) <= longest_s
        before = np.where(np.concatenate(([False], near)), np.roll(place, 1), place)
        after = np.where(np.concatenate((near, [False])), np.roll(place, -1), place)
        some = before != after
        before, after = before[some], after[some]
        moved = position[after, axes] - position[before, axes]
        velocity[place[some], axes] = moved / (time[after] - time[before])[:, None]
    return velocity
