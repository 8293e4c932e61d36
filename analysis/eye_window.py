"""One eye in one window: its beats, what is proven about it, and whether anything of it can be assessed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.beats import Beat
from analysis.finding import Finding
from analysis.marking import BLOCKED_LOST_SHARE, OUTSIDE_RANGE, Marking
from analysis.nystagmus import Middle, frame_rate, gazes, lost_frames, valid_seconds
from analysis.procedure import Window
from analysis.trace import Trace, unlike_an_eye
from capture.rate import RATE_TOLERANCE, SLOW_PHASE_RATE_HZ
from capture.samples import AXES

VELOCITY = "slow_phase_velocity"
FREQUENCY = "nystagmus_frequency"
AMPLITUDE = "quick_phase_amplitude"
TIME_SHARE = "time_share"
DRIFT = "slow_drift"
NAMES = {
    VELOCITY: ("slow-phase velocity", "deg/s"),
    FREQUENCY: ("nystagmus frequency", "1/s"),
    AMPLITUDE: ("quick-phase amplitude", "deg"),
    TIME_SHARE: ("share of time within beats", "%"),
    DRIFT: ("slow drift, no beats needed", "deg/s"),
}


@dataclass(frozen=True, slots=True)
class NystagmusSettings:
    """When nystagmus is measured and called present. Design choices unless a source is named."""

    least_beats: int = 3  # fewer: not assessed
    least_rate_hz: float = SLOW_PHASE_RATE_HZ  # of distinct pictures, in the recording and in the window
    rate_tolerance: float = RATE_TOLERANCE  # share of it
    least_valid_s: float = 5.0  # of seen eye in the window (clinical practice for fixation windows)
    least_torsion_share: float = 0.5  # of the accepted beats with readable torsion
    present_beats: int = 3  # consecutive, one direction ...
    present_within_s: float = 10.0  # ... within this time
    present_velocity_dps: float = 1.0  # smallest |median|
    present_standard_errors: float = 3.0  # |median| in standard errors
    changing_share: float = 0.2  # of the beats in the rarer direction, both present: the direction changes
    drift_piece_s: float = 0.25  # straight pieces for the drift without beats


@dataclass(frozen=True, slots=True)
class EyeWindow:
    """One eye in one window: its trace, its beats inside, and what is proven about it."""

    window: Window
    trace: Trace
    accepted: tuple[Beat, ...]
    rejected: tuple[Beat, ...]
    marking: Marking
    settings: NystagmusSettings

    def finding(
        self, key: str, axis: int | None = None, reason: str = "", value: float | None = None
    ) -> Finding:
        """A finding of this eye and step with a value or a reason."""
        name, unit = NAMES[key]
        return Finding(
            key=key,
            name=name,
            unit=unit,
            value=value,
            reason=reason,
            step=self.window.key,
            eye=self.trace.eye,
            axis=None if axis is None else AXES[axis],
            accepted=len(self.accepted),
            rejected=len(self.rejected),
            marks=self.marking.marks,
        )

    def measured(self, key: str, axis: int, centre: Middle) -> Finding:
        """A finding with a median, its spread and its uncertainty."""
        return replace(
            self.finding(key, axis, value=centre.median),
            quartiles=centre.quartiles,
            standard_error=centre.standard_error,
            interval=centre.interval,
        )


def eye_window(
    trace: Trace, beats: Sequence[Beat], window: Window, marking: Marking, settings: NystagmusSettings
) -> EyeWindow:
    """Take the beats that lie wholly in the used part of the window.

    Where the middle one of them lies outside the calibrated range, what is measured there is marked so.
    """
    inside = [b for b in beats if b.slow_start_s >= window.used_from_s and b.quick_end_s <= window.end_s]
    accepted = tuple(b for b in inside if b.accepted)
    rejected = tuple(b for b in inside if not b.accepted)
    if _outside_range(trace, accepted, window, marking):
        marking = replace(marking, marks=(*marking.marks, OUTSIDE_RANGE))
    return EyeWindow(window, trace, accepted, rejected, marking, settings)


def _outside_range(trace: Trace, accepted: Sequence[Beat], window: Window, marking: Marking) -> bool:
    """Whether the eye of the median beat, without beats of the median sample, looked beyond the range."""
    spans = [(b.slow_start_s, b.slow_end_s) for b in accepted] or [(window.used_from_s, window.end_s)]
    start_s, end_s = np.array(spans).T
    looked = gazes(trace, start_s, end_s)
    return any(
        limits is not None and not limits[0] <= np.nanmedian(looked[:, axis]) <= limits[1]
        for axis, limits in enumerate(marking.range_deg)
        if np.isfinite(looked[:, axis]).any()
    )


def why_unusable(part: EyeWindow) -> str:
    """Why nothing is assessed in this window, or ""."""
    if part.window.outside:
        return part.window.note
    if why := _too_slow(part):
        return why
    if part.marking.blocked:
        return part.marking.blocked
    lost, there = lost_frames(part.trace, part.window.used_from_s, part.window.end_s)
    usual = BLOCKED_LOST_SHARE * (lost + there)
    if lost > usual + 2 * math.sqrt(usual):  # beyond the share that blocks by more than chance
        share = f"{lost / (lost + there):.1%}"
        return f"{share} of the frames of this step were lost (more than {BLOCKED_LOST_SHARE:.0%})"
    seen_s = valid_seconds(part.trace, part.window.used_from_s, part.window.end_s)
    if not seen_s >= part.settings.least_valid_s:
        why = f"the eye was seen for {seen_s:.1f} s only ({part.settings.least_valid_s:g} s needed)"
        unlike = unlike_an_eye(part.trace, part.window.used_from_s, part.window.end_s)
        return f"{why}; {unlike}" if unlike else why
    return ""


def _too_slow(part: EyeWindow) -> str:
    """Why the frame rate leaves no slow phases to measure, or ""; a rate that is not known leaves none."""
    window, least_hz = part.window, part.settings.least_rate_hz
    rates = (part.marking.rate_hz, frame_rate(part.trace, window.used_from_s, window.end_s))
    if not all(math.isfinite(rate) for rate in rates):
        return "frame rate not known: too few frames"
    if min(rates) < least_hz * (1 - part.settings.rate_tolerance):
        return f"frame rate too low ({min(rates):.1f}/s, {least_hz:g}/s needed)"
    return ""


def why_no_torsion(part: EyeWindow) -> str:
    """Why torsion is not assessed in this window, or ""."""
    count, least = len(part.accepted), part.settings.least_beats
    if part.marking.torsion_withheld:
        return part.marking.torsion_withheld
    window, torsional = part.window, AXES.index("torsional")
    readable_s = valid_seconds(part.trace, window.used_from_s, window.end_s, torsion=True)
    if not readable_s >= part.settings.least_valid_s:
        return "torsion not readable (quality too low)"
    if len(measured_beats(part, torsional)) < max(
        part.settings.least_torsion_share * count, min(count, least)
    ):
        return "torsion not readable in most beats"
    return ""


def measured_beats(part: EyeWindow, axis: int) -> tuple[Beat, ...]:
    """The accepted beats whose slow phase is known on the axis."""
    return tuple(b for b in part.accepted if math.isfinite(b.slow_phase_velocity_dps[axis]))
