"""The findings that every procedure with nystagmus takes from one window of one eye."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.beats import Beat
from analysis.finding import Finding, Span
from analysis.hidden_beats import heeding, hidden_slope, surely_hidden
from analysis.marking import BLOCKED_LOST_SHARE, OUTSIDE_RANGE, Marking, marked
from analysis.median_error import error_about_line
from analysis.nystagmus import (
    BEAT_NAMES,
    Middle,
    axis_sign,
    beats_per_second,
    direction,
    drift,
    frame_rate,
    gazes,
    lost_frames,
    middle,
    run_signs,
    sure_direction,
    valid_seconds,
)
from analysis.procedure import Window
from analysis.shared_slope import SharedSlope
from analysis.trace import Trace, unlike_an_eye
from capture.rate import RATE_TOLERANCE, SLOW_PHASE_RATE_HZ
from capture.samples import AXES

VELOCITY = "slow_phase_velocity"
FREQUENCY = "nystagmus_frequency"
AMPLITUDE = "quick_phase_amplitude"
TIME_SHARE = "time_share"
TOO_SMALL = "beats too small to be seen one by one; the slow drift is that of their slow phases"
MOST_LEFT = (
    0.75  # of a velocity that hidden beats turn back: an eye that drifts away makes none (design choice)
)
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


def nystagmus_findings(part: EyeWindow) -> tuple[Finding, ...]:
    """Velocity, amplitude and drift for each axis, frequency and share of time for the eye."""
    if why := why_unusable(part):
        whole = tuple(part.finding(key, reason=why) for key in (FREQUENCY, TIME_SHARE))
        return whole + tuple(
            part.finding(key, axis, why) for axis in range(3) for key in (VELOCITY, AMPLITUDE, DRIFT)
        )
    found = [_frequency(part), _time_share(part)]
    for axis in range(3):
        hidden = _hidden(part, axis)
        found += [_velocity(part, axis, hidden), _amplitude(part, axis), _drift(part, axis, hidden)]
    return tuple(found)


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


def _too_few(part: EyeWindow, axis: int | None = None) -> str:
    """Why the beats do not suffice (on this axis), or ""."""
    count, least = len(part.accepted), part.settings.least_beats
    if axis is not None and AXES[axis] == "torsional" and (why := why_no_torsion(part)):
        return why
    if count < least:
        beats = "no accepted beat" if count == 0 else f"{count} accepted beat{'s' * (count > 1)}"
        return f"{beats}, {least} needed"
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
    if len(_measured(part, torsional)) < max(part.settings.least_torsion_share * count, min(count, least)):
        return "torsion not readable in most beats"
    return ""


def _measured(part: EyeWindow, axis: int) -> tuple[Beat, ...]:
    return tuple(b for b in part.accepted if math.isfinite(b.slow_phase_velocity_dps[axis]))


def _hidden(part: EyeWindow, axis: int) -> SharedSlope | None:
    """What beats too small to be seen one by one tell of the velocity."""
    if AXES[axis] == "torsional" and part.marking.torsion_withheld:
        return None
    return hidden_slope(part.trace, part.accepted, axis, *_span(part))


def _velocity(part: EyeWindow, axis: int, hidden: SharedSlope | None) -> Finding:
    if why := _too_few(part, axis):
        return _unseen(part.finding(VELOCITY, axis, why), part, axis, hidden)
    beats = _measured(part, axis)
    if both := both_directions(beats, axis, part.settings):
        return replace(part.finding(VELOCITY, axis, _changing(part, axis, both)), present=True)
    centre = heeding(_middle(beats, axis), hidden)
    present = is_present(centre, beats, axis, part.settings)
    side = -int(np.sign(centre.median))
    proven = part.marking.direction_proven
    return replace(
        part.measured(VELOCITY, axis, centre),
        present=present,
        direction=sure_direction(AXES[axis], centre.interval) if present and proven else "",
        agreeing=sum(axis_sign(b, axis) == side for b in beats),
        spans=tuple(Span(b.eye, b.slow_start_s, b.quick_end_s) for b in beats),
    )


def _unseen(few: Finding, part: EyeWindow, axis: int, hidden: SharedSlope | None) -> Finding:
    """A velocity of too few beats, which do not count as none where others surely hide."""
    if hidden is None or not hidden.certain or not few.no_beats:
        return few
    seen = drift(part.trace, *_span(part), axis, part.settings.drift_piece_s)
    hides = surely_hidden(seen, hidden, part.settings.present_velocity_dps)
    return replace(few, reason=TOO_SMALL) if hides else few


def _span(part: EyeWindow) -> tuple[float, float]:
    return part.window.used_from_s, part.window.end_s


def _middle(beats: Sequence[Beat], axis: int) -> Middle:
    return middle(
        np.array([b.slow_phase_velocity_dps[axis] for b in beats]),
        np.array([b.slow_phase_velocity_se_dps[axis] for b in beats]),
    )


def both_directions(
    beats: Sequence[Beat], axis: int, settings: NystagmusSettings
) -> tuple[Middle, Middle] | None:
    """The two nystagmuses of an axis on which the direction changes (toward positive, toward negative).

    A median over both would be near 0 and hide them. Only beats that are certain on this axis count, and
    those whose error is not known: they must not hide a change either.
    """
    sure = [
        b
        for b in beats
        if not abs(b.slow_phase_velocity_dps[axis])
        <= settings.present_standard_errors * b.slow_phase_velocity_se_dps[axis]
    ]
    sides = [[b for b in sure if axis_sign(b, axis) == sign] for sign in (1, -1)]
    least = max(settings.present_beats, settings.changing_share * len(beats))
    if min(map(len, sides)) < least:
        return None
    runs = run_signs(sure, axis, settings.present_beats, settings.present_within_s)
    right, left = (_middle(side, axis) for side in sides)
    slowest = min(abs(right.median), abs(left.median))
    return (right, left) if runs == {1, -1} and slowest >= settings.present_velocity_dps else None


def _changing(part: EyeWindow, axis: int, both: tuple[Middle, Middle]) -> str:
    """Reason why one median is not given, naming the two where names are proven."""
    marks = part.marking.marks
    speeds = [
        f"{marked(f'{abs(side.median):.1f} deg/s', 'deg/s', marks)} in {side.count} beats" for side in both
    ]
    if not part.marking.direction_proven:
        return f"direction changes: {speeds[0]}, {speeds[1]} the other way"
    names = [BEAT_NAMES[direction(AXES[axis], side.median)] for side in both]
    return f"direction changes: {names[0]} {speeds[0]}, {names[1]} {speeds[1]}"


def is_present(centre: Middle, beats: Sequence[Beat], axis: int, settings: NystagmusSettings) -> bool:
    """The presence rule: a run of beats in the median's direction, fast enough, beyond its error."""
    runs = run_signs(beats, axis, settings.present_beats, settings.present_within_s)
    speed = abs(centre.median)
    fast = speed >= settings.present_velocity_dps
    time_s = np.array([b.slow_start_s for b in beats])
    velocities = np.array([b.slow_phase_velocity_dps[axis] for b in beats])
    errors = np.array([b.slow_phase_velocity_se_dps[axis] for b in beats])
    error = min(centre.standard_error, error_about_line(time_s, velocities, errors))
    certain = speed > settings.present_standard_errors * error
    return -int(np.sign(centre.median)) in runs and fast and certain


def _amplitude(part: EyeWindow, axis: int) -> Finding:
    sizes = np.array([abs(b.amplitude_deg[axis]) for b in _measured(part, axis)])
    sizes = sizes[np.isfinite(sizes)]
    if why := _too_few(part, axis) or ("no readable quick phase" if len(sizes) < 2 else ""):
        return part.finding(AMPLITUDE, axis, why)
    return part.measured(AMPLITUDE, axis, middle(sizes, np.full(len(sizes), np.nan)))


def _drift(part: EyeWindow, axis: int, hidden: SharedSlope | None) -> Finding:
    if not _too_few(part):
        return part.finding(DRIFT, axis, "beats are measured instead")
    if AXES[axis] == "torsional" and part.marking.torsion_withheld:
        return part.finding(DRIFT, axis, part.marking.torsion_withheld)
    centre = drift(part.trace, *_span(part), axis, part.settings.drift_piece_s)
    if centre is None:
        return part.finding(DRIFT, axis, "no unbroken piece of trace is long enough")
    return part.measured(DRIFT, axis, heeding(centre, hidden))


def _frequency(part: EyeWindow) -> Finding:
    if why := _too_few(part):
        return part.finding(FREQUENCY, None, why)
    return part.finding(FREQUENCY, value=beats_per_second(part.accepted))


def _time_share(part: EyeWindow) -> Finding:
    seen_s = valid_seconds(part.trace, part.window.used_from_s, part.window.end_s)
    within_s = sum(b.quick_end_s - b.slow_start_s for b in part.accepted)
    return part.finding(TIME_SHARE, value=min(100.0 * within_s / seen_s, 100.0))
