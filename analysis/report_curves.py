"""The curves of a report as data: excerpts of the trace with their beats, and velocity over time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.beats import Beat
from analysis.nystagmus import axis_sign, valid_seconds
from analysis.procedure import Result, Window
from analysis.trace import Trace
from capture.calibration_fit import listing_torsion_rad
from capture.samples import AXES, Eye

if TYPE_CHECKING:
    from analysis.analyse import RecordingResult

SIDES = {
    "horizontal": ("right", "left"),
    "vertical": ("up", "down"),
    "torsional": ("upper pole right", "upper pole left"),
}
# A beat gets a mark on an axis when its slow phase there is certain and no mere trace of the main one
# (design choices).
LEAST_SIGNIFICANCE, LEAST_SHARE_OF_FASTEST = 3.0, 0.15
SEEN_SHARE = 0.95  # of the time that the eyes were seen in the best stretch (design choice)
LEAST_TORSION_SHARE = 0.2  # of valid samples; below it a torsion curve would be fragments
LEAST_LISTING_DEG = 0.5  # of torsion by Listing's law; less hides in the width of the line (design choice)


@dataclass(frozen=True, slots=True)
class BeatLine:
    """One beat on one axis of a curve: the fitted slow phase, and where the quick phase goes."""

    slow_s: tuple[float, float]
    slow_deg: tuple[float, float]
    quick_s: tuple[float, float]
    side: int  # of the quick phase on this axis: +1, -1, 0
    accepted: bool


@dataclass(frozen=True, slots=True)
class Strip:
    """One eye on one axis in one excerpt; NaN where the eye was not seen."""

    eye: Eye
    axis: str
    time_s: NDArray[np.float64]
    position_deg: NDArray[np.float64]
    beats: tuple[BeatLine, ...]
    listing_deg: NDArray[np.float64] | None = None  # torsion that Listing's law alone gives, where it counts


@dataclass(frozen=True, slots=True)
class Excerpt:
    """Some seconds of one step."""

    step: str
    start_s: float
    end_s: float
    strips: tuple[Strip, ...]


@dataclass(frozen=True, slots=True)
class VelocityPoint:
    """The slow phase of one beat."""

    eye: Eye
    time_s: float
    velocity_dps: float
    standard_error_dps: float
    accepted: bool


@dataclass(frozen=True, slots=True)
class VelocityCurve:
    """Slow-phase velocity on one axis over the whole procedure."""

    axis: str
    points: tuple[VelocityPoint, ...]
    limits: tuple[tuple[str, float], ...]  # (key of a window, deg/s)


@dataclass(frozen=True, slots=True)
class Curves:
    """All that is drawn for one procedure."""

    excerpts: tuple[Excerpt, ...]
    windows: tuple[Window, ...]
    velocity: tuple[VelocityCurve, ...]
    marks: tuple[str, ...]  # what is not proven of any eye
    direction_proven: bool


@dataclass(frozen=True, slots=True)
class ExcerptSettings:
    """How much of the trace is printed."""

    longest_s: float = 10.0  # of a step without fixation
    longest_lit_s: float = 5.0  # of a step with fixation beside it


def curves(result: RecordingResult, procedure: Result) -> Curves:
    """Excerpts of each step and the velocity of each axis that can be drawn."""
    settings = ExcerptSettings()
    windows = tuple(w for w in procedure.windows if not w.outside) or (_whole(result),)
    axes = tuple(a for a in range(3) if a < 2 or _has_torsion(result))
    excerpts = tuple(_excerpt(result, w, axes, settings) for w in _shown(result, windows))
    return Curves(
        excerpts=excerpts,
        windows=windows,
        velocity=tuple(_velocity(result, procedure, axis) for axis in axes),
        marks=tuple(dict.fromkeys(mark for f in procedure.findings for mark in f.marks)),
        direction_proven=all(t.direction_proven for t in result.traces.values()),
    )


def _whole(result: RecordingResult) -> Window:
    """The whole recording, where no step lies in it."""
    ends = [float(t.time_s[-1]) for t in result.traces.values() if len(t.time_s)]
    return Window("no step in the recording", "not stated", 0.0, max(ends, default=0.0), 0.0)


def _has_torsion(result: RecordingResult) -> bool:
    shares = [
        float(np.count_nonzero(t.torsion_valid)) / max(np.count_nonzero(t.valid), 1)
        for t in result.traces.values()
    ]
    return any(share >= LEAST_TORSION_SHARE for share in shares)


def _shown(result: RecordingResult, windows: tuple[Window, ...]) -> tuple[Window, ...]:
    """The dark step with most nystagmus and one with fixation beside it; else any step with most."""
    dark = [w for w in windows if w.light == "dark"]
    lit = [w for w in windows if w.light == "fixation"] or [w for w in windows if w.light == "light"]
    most = max(dark or windows, key=lambda w: _slow_phases_deg(result, w.used_from_s, w.end_s))
    return (most, *lit[:1]) if dark else (most,)


def _slow_phases_deg(result: RecordingResult, start_s: float, end_s: float) -> float:
    """How far all slow phases of accepted beats went within a stretch, on the fastest axis of each beat."""
    return sum(
        max((abs(v) for v in beat.slow_phase_velocity_dps if v == v), default=0.0)
        * (beat.slow_end_s - beat.slow_start_s)
        for beats in result.beats.values()
        for beat in beats
        if beat.accepted and start_s <= beat.slow_start_s and beat.slow_end_s <= end_s
    )


def _excerpt(
    result: RecordingResult, window: Window, axes: tuple[int, ...], settings: ExcerptSettings
) -> Excerpt:
    """Of the stretches in which the eyes were seen (nearly) most, the one with most nystagmus."""
    lit = window.light in ("fixation", "light")
    length_s = min(settings.longest_lit_s if lit else settings.longest_s, window.end_s - window.used_from_s)
    last_s = max(window.end_s - length_s, window.used_from_s)
    starts = np.arange(window.used_from_s, last_s + 1e-9, 1.0)
    seen = np.array([sum(valid_seconds(t, s, s + length_s) for t in result.traces.values()) for s in starts])
    beating = np.array([_slow_phases_deg(result, s, s + length_s) for s in starts])
    start_s = float(starts[int(np.argmax(np.where(seen >= SEEN_SHARE * seen.max(), beating, -1.0)))])
    end_s = start_s + length_s
    strips = [
        _strip(trace, result.beats[eye], axis, start_s, end_s)
        for axis in axes
        for eye, trace in result.traces.items()
    ]
    return Excerpt(window.key, start_s, end_s, tuple(strips))


def _strip(trace: Trace, beats: tuple[Beat, ...], axis: int, start_s: float, end_s: float) -> Strip:
    inside = (trace.time_s >= start_s) & (trace.time_s <= end_s)
    good = (trace.torsion_valid if axis == 2 else trace.valid)[inside]
    position = np.where(good, trace.position_deg[inside, axis], np.nan)
    lines = [
        _beat_line(beat, trace, axis)
        for beat in beats
        if start_s <= beat.slow_start_s and beat.slow_end_s <= end_s
    ]
    listing_deg = _listing_deg(trace, inside) if axis == 2 else None
    return Strip(trace.eye, AXES[axis], trace.time_s[inside], position, tuple(lines), listing_deg)


def _listing_deg(trace: Trace, inside: NDArray[np.bool_]) -> NDArray[np.float64] | None:
    """Fick torsion of an eye that holds Listing's law; None near straight ahead and without degrees."""
    gaze_rad = np.radians(np.where(trace.valid[inside, None], trace.position_deg[inside, :2], np.nan))
    listing_deg = np.degrees(listing_torsion_rad(gaze_rad))
    largest_deg = np.max(np.abs(listing_deg), initial=0.0, where=np.isfinite(listing_deg))
    return listing_deg if trace.calibrated and largest_deg >= LEAST_LISTING_DEG else None


def _beat_line(beat: Beat, trace: Trace, axis: int) -> BeatLine:
    """Slow phase as a line of the fitted slope through the middle of its samples."""
    inside = (trace.time_s >= beat.slow_start_s) & (trace.time_s <= beat.slow_end_s) & trace.valid
    middle_s = (beat.slow_start_s + beat.slow_end_s) / 2
    slope = beat.slow_phase_velocity_dps[axis]
    offsets = trace.position_deg[inside, axis] - slope * (trace.time_s[inside] - middle_s)
    level = float(np.nanmedian(offsets)) if np.isfinite(offsets).any() else np.nan
    half = slope * (beat.slow_end_s - beat.slow_start_s) / 2
    fastest = max((abs(v) for v in beat.slow_phase_velocity_dps if v == v), default=0.0)  # may be all unknown
    certain = not abs(slope) <= LEAST_SIGNIFICANCE * beat.slow_phase_velocity_se_dps[axis]
    shown = certain and abs(slope) >= LEAST_SHARE_OF_FASTEST * fastest
    return BeatLine(
        (beat.slow_start_s, beat.slow_end_s),
        (level - half, level + half),
        (beat.quick_start_s, beat.quick_end_s),
        axis_sign(beat, axis) if shown else 0,
        beat.accepted,
    )


def _velocity(result: RecordingResult, procedure: Result, axis: int) -> VelocityCurve:
    points = [
        VelocityPoint(
            eye,
            (beat.slow_start_s + beat.slow_end_s) / 2,
            beat.slow_phase_velocity_dps[axis],
            beat.slow_phase_velocity_se_dps[axis],
            beat.accepted,
        )
        for eye, beats in result.beats.items()
        for beat in beats
        if np.isfinite(beat.slow_phase_velocity_dps[axis])
    ]
    limits = {
        (f.step, f.limit.high)
        for f in procedure.findings
        if f.limit is not None and (f.axis, f.unit) == (AXES[axis], "deg/s")
    }
    return VelocityCurve(AXES[axis], tuple(points), tuple(sorted(limits)))
