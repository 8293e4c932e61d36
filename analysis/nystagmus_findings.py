"""The findings that every procedure with nystagmus takes from one window of one eye."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.beats import Beat
from analysis.eye_window import (
    AMPLITUDE,
    DRIFT,
    FREQUENCY,
    TIME_SHARE,
    VELOCITY,
    EyeWindow,
    NystagmusSettings,
    measured_beats,
    why_no_torsion,
    why_unusable,
)
from analysis.finding import Finding, Span
from analysis.hidden_beats import heeding, hidden_slope, turned_back
from analysis.marking import marked
from analysis.median_error import error_about_line
from analysis.nystagmus import (
    BEAT_NAMES,
    Middle,
    axis_sign,
    beats_per_second,
    direction,
    drift,
    middle,
    run_signs,
    sure_direction,
    valid_seconds,
)
from analysis.shared_slope import SharedSlope
from capture.samples import AXES

TOO_SMALL = "beats too small to be seen one by one; see the slow drift"


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


def _too_few(part: EyeWindow, axis: int | None = None) -> str:
    """Why the beats do not suffice (on this axis), or ""."""
    count, least = len(part.accepted), part.settings.least_beats
    if axis is not None and AXES[axis] == "torsional" and (why := why_no_torsion(part)):
        return why
    if count < least:
        beats = "no accepted beat" if count == 0 else f"{count} accepted beat{'s' * (count > 1)}"
        return f"{beats}, {least} needed"
    return ""


def _hidden(part: EyeWindow, axis: int) -> SharedSlope | None:
    """What beats too small to be seen one by one tell of the velocity."""
    if AXES[axis] == "torsional" and part.marking.torsion_withheld:
        return None
    return hidden_slope(part.trace, part.accepted, axis, *_span(part))


def _velocity(part: EyeWindow, axis: int, hidden: SharedSlope | None) -> Finding:
    if why := _too_few(part, axis):
        return _unseen(part.finding(VELOCITY, axis, why), part, axis, hidden)
    beats = measured_beats(part, axis)
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
    least_dps = part.settings.present_velocity_dps
    if hidden is None or not (few.no_beats and hidden.certain and abs(hidden.velocity_dps) >= least_dps):
        return few
    seen = drift(part.trace, *_span(part), axis, part.settings.drift_piece_s)
    return replace(few, reason=TOO_SMALL) if turned_back(seen, hidden) else few


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
    sizes = np.array([abs(b.amplitude_deg[axis]) for b in measured_beats(part, axis)])
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
