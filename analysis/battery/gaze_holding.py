"""Gaze holding with rebound."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from analysis.battery.changes import Compared, certain, change_findings
from analysis.battery.gaze_integrator import tau_finding
from analysis.battery.gaze_steps import GAZE_DARK_STEPS, GAZE_STEPS, GAZES, centre_key, gaze_key
from analysis.battery.pendular_findings import SIZE
from analysis.battery.provoked_course import ENDS, Followed, course_findings
from analysis.battery.safety import ALWAYS_STOP
from analysis.battery.slow_phase_shapes import shape_findings, shape_texts
from analysis.battery.spontaneous_words import Reading, not_assessed, what_is_found
from analysis.battery.stepwise import (
    Measured,
    StepSettings,
    measure_steps,
    settings_in_words,
    step_cautions,
)
from analysis.battery.stimulus_findings import of_estimate
from analysis.estimate import error_of, with_error
from analysis.eye_window import DRIFT, VELOCITY, EyeWindow, why_unusable
from analysis.finding import Finding
from analysis.gaze import alexander_slope, degree_of_nystagmus
from analysis.null_angle import null_angle
from analysis.nystagmus import BEAT_NAMES, gazes
from analysis.procedure import Observed, Procedure, RedFlag, Result, Step
from analysis.spans import velocity_in
from capture.samples import AXES, Eye

REBOUND, TAU, SLOPE = "rebound", "integrator_time_constant", "alexander_slope"
NULL = "null_gaze"
EARLY, LATE = "velocity_first_5_s", "velocity_last_5_s"
ACROSS = ("gaze right", "centre", "gaze left")
ABNORMAL_DPS = 2.0  # sustained with fixation; mean + 2 SD of healthy people at 30 deg is 1.68 deg/s
REBOUND_DPS = 2.0  # common practice, no source
REBOUNDS = tuple(
    Compared("centre", centre_key(way), 0.0, 10.0, key=REBOUND, name="change at the centre after the gaze")
    for way in GAZES
)


def _axis(way: str) -> str:
    return AXES[0] if GAZES.get(way, (0.0, 0.0))[0] else AXES[1]


LASTING = {
    axis: tuple(
        Followed((centre_key(way),), (ENDS,), after=True, rest="centre")
        for way in GAZES
        if _axis(way) == AXES[axis]
    )
    for axis in (0, 1)
}


def analyse(observed: Observed, *, key: str, title: str, steps: Sequence[Step], fixating: bool) -> Result:
    """Measure drift in each gaze, what is left of it at the end, and the rebound after it.

    What healthy people stay below is known with fixation only: without it nothing is flagged.
    """
    settings = StepSettings()
    measured = measure_steps(observed, steps, settings)
    holds = [f for eye in measured.marking for way in GAZES for f in _hold(measured, way, eye)]
    slopes = [_slope(measured, eye) for eye in measured.marking]
    rebounds = [
        f for f in change_findings(observed, measured, REBOUNDS) if f.axis == _axis(f.step.split()[2])
    ]
    after = [f for axis, rows in LASTING.items() for f in course_findings(measured, rows, axis)]
    nulls = [_null(measured, eye) for eye in measured.marking]
    shapes = shape_findings(measured)
    found = (*measured.findings, *holds, *slopes, *nulls, *rebounds, *after, *shapes)
    changing: list[Eye] = [eye for eye in measured.marking if _changes(found, eye)]
    proven = fixating and all(m.direction_proven and m.calibrated for m in measured.marking.values())
    reading = Reading(measured.windows, measured.findings, measured.marking)
    return Result(
        procedure=key,
        title=title,
        windows=measured.windows,
        findings=found,
        conclusions=(
            *what_is_found(reading),
            *(_degree(found, eye) for eye in measured.marking),
            *shape_texts(shapes),
        ),
        red_flags=_flags(changing) if proven else (),
        fits=_fits(found, changing) if proven else (),
        not_concluded=NOT_CONCLUDED,
        cautions=step_cautions(observed, measured, settings),
        settings=settings_in_words(settings),
    )


def _hold(measured: Measured, way: str, eye: Eye) -> list[Finding]:
    """Velocity of the first and last 5 s of a gaze, and the integrator's time constant."""
    axis = AXES.index(_axis(way))
    part = measured.parts.get((gaze_key(way), eye))
    names = {
        EARLY: ("slow-phase velocity, first 5 s", "deg/s"),
        LATE: ("slow-phase velocity, last 5 s", "deg/s"),
        TAU: ("time constant of the integrator", "s"),
    }
    empty = [
        Finding(key, name, unit, reason="-", step=gaze_key(way), eye=eye, axis=AXES[axis])
        for key, (name, unit) in names.items()
    ]
    why = "step not recorded" if part is None else why_unusable(part)
    if part is None or why:
        return [replace(f, reason=why) for f in empty]
    marked = [replace(f, marks=part.marking.marks) for f in empty]
    spans = (
        (part.window.used_from_s, part.window.used_from_s + 5),
        (part.window.end_s - 5, part.window.end_s),
    )
    found = [_in(f, part, axis, *span) for f, span in zip(marked, spans, strict=False)]
    centre = measured.parts.get(("centre", eye))
    return [*found, tau_finding(marked[2], part, axis, GAZES[way][axis], centre)]


def _in(finding: Finding, part: EyeWindow, axis: int, start_s: float, end_s: float) -> Finding:
    speed = velocity_in(part.trace, part.accepted, axis, start_s, end_s)
    if speed is None:
        return replace(finding, reason="the eye was not seen well enough")
    return replace(
        finding, value=speed.value, reason="", standard_error=speed.standard_error, interval=speed.interval
    )


def _velocity(found: Sequence[Finding], step: str, eye: Eye, axis: str) -> Finding | None:
    return next((f for f in found if (f.key, f.step, f.eye, f.axis) == (VELOCITY, step, eye, axis)), None)


def _slope(measured: Measured, eye: Eye) -> Finding:
    """Alexander's law between right and left gaze."""
    whole = Finding(SLOPE, "Alexander slope", "deg/s per deg", reason="-", eye=eye, axis=AXES[0])
    held = {way: _speed(measured.findings, gaze_key(way), eye, AXES[0]) for way in ("right", "left")}
    speeds = {way: f for way, f in held.items() if f is not None}
    if len(speeds) < 2:
        return replace(whole, reason="velocity not known in both gazes")
    centre = _velocity(measured.findings, "centre", eye, AXES[0])
    if centre is None or not centre.present or centre.value is None:
        return replace(whole, reason="no nystagmus at the centre: its direction is not fixed")
    fast = "right" if centre.value < 0 else "left"
    slow = "left" if fast == "right" else "right"
    between = GAZES["right"][0] - GAZES["left"][0]
    value = alexander_slope(speeds[fast].value or 0.0, speeds[slow].value or 0.0, between)
    error = math.hypot(*(error_of(f.interval) for f in speeds.values())) / between
    slope = with_error(value, error)
    return replace(whole, value=value, reason="", standard_error=error, interval=slope.interval)


def _null(measured: Measured, eye: Eye) -> Finding:
    """Horizontal place of the eye where it drifts neither way, between gaze left and gaze right."""
    blank = Finding(
        NULL, "null position of the gaze", "deg", reason="-", eye=eye, axis=AXES[0],
        marks=measured.marking[eye].marks,
        formula="where horizontal velocity, straight between neighbouring gazes, passes 0",
    )  # fmt: skip
    rows: dict[float, Finding] = {}
    for step in reversed(ACROSS):
        part = measured.parts.get((step, eye))
        speed = _speed(measured.findings, step, eye, AXES[0])
        if part is None or speed is None:
            return replace(blank, reason=f"{step}: velocity not known")
        span = np.array([[part.window.used_from_s], [part.window.end_s]])
        rows[float(gazes(part.trace, *span)[0, 0])] = speed
    places = sorted(rows)
    if len(places) < 3:
        return replace(blank, reason="the gazes were not held apart")
    known = [rows[place] for place in places]
    speeds, between = [f.value or 0.0 for f in known], [f.interval or (0.0, 0.0) for f in known]
    return of_estimate(blank, null_angle(places, speeds, between))


def _speed(found: Sequence[Finding], step: str, eye: Eye, axis: str) -> Finding | None:
    """The velocity of the beats of a step, or the slow drift where they are too few."""
    mine = [f for f in found if (f.step, f.eye, f.axis) == (step, eye, axis) and f.value is not None]
    return next((f for key in (VELOCITY, DRIFT) for f in mine if f.key == key), None)


def _changes(found: Sequence[Finding], eye: Eye) -> bool:
    """Whether the quick phase goes right in right gaze and left in left gaze, both beyond healthy speed."""
    ways = []
    for way in ("right", "left"):
        f = _velocity(found, gaze_key(way), eye, AXES[0])
        fast = f is not None and f.present and abs(f.value or 0.0) > ABNORMAL_DPS
        ways.append(f is not None and fast and f.direction == way)
    return all(ways)


def _degree(found: Sequence[Finding], eye: Eye) -> str:
    """Degree of a nystagmus that beats one way in every gaze that shows it."""
    gazes_across = {step: _velocity(found, step, eye, AXES[0]) for step in ACROSS}
    shown = {step: f for step, f in gazes_across.items() if f is not None and f.present}
    ways = {f.direction for f in shown.values()}
    unknown = [
        f"{step}: {f.reason if f else 'not recorded'}"
        for step, f in gazes_across.items()
        if f is None or not_assessed(f)
    ]
    if len(ways - {""}) > 1:
        return f"{eye.capitalize()} eye: direction differs between the gazes."
    if unknown or "" in ways:
        why = "; ".join(unknown) or "which way it beats is not certain in every gaze"
        return f"{eye.capitalize()} eye: degree of a horizontal nystagmus not assessed ({why})."
    if not ways:
        swings = any((f.key, f.eye, f.axis) == (SIZE, eye, AXES[0]) and f.step in ACROSS for f in found)
        beats = "beating " * swings  # what swings stands in the sentence of its gaze
        return f"{eye.capitalize()} eye: no horizontal {beats}nystagmus in any gaze."
    way = ways.pop()
    sides = ("gaze right", "gaze left") if way == "right" else ("gaze left", "gaze right")
    degree = degree_of_nystagmus(sides[0] in shown, "centre" in shown, sides[1] in shown)
    named = f", {degree}" if degree else ""
    return f"{eye.capitalize()} eye: {BEAT_NAMES[way]} in every gaze that shows nystagmus{named}."


def _flags(changing: Sequence[Eye]) -> tuple[RedFlag, ...]:
    if not changing:
        return ()
    return (
        RedFlag(
            f"Gaze-evoked nystagmus that changes direction ({' and '.join(changing)} eye), faster than "
            f"{ABNORMAL_DPS:g} deg/s. A red flag if the vertigo is new and continuous."
        ),
    )


def _fits(found: Sequence[Finding], changing: Sequence[Eye]) -> tuple[str, ...]:
    texts = []
    if changing:
        texts.append(
            "Gaze-evoked nystagmus in both directions: fits cerebellum or brainstem, drugs and alcohol "
            "(ask first), "
            "tiredness, and weakness of eye muscles."
        )
    after = dict.fromkeys(f.step for f in found if f.key == REBOUND and _is_rebound(f, found))
    if after:
        texts.append(f"Rebound ({', '.join(after)}): fits cerebellum or brainstem, and drugs or alcohol.")
    return tuple(texts)


def _is_rebound(change: Finding, found: Sequence[Finding]) -> bool:
    """Whether the eye drifted back to the centre in a gaze, and turns round at the centre after it.

    A nystagmus of all gazes that is faster or slower than before changes too; it does not turn round.
    """
    if change.eye is None or change.axis is None or not certain(change, REBOUND_DPS):
        return False
    way = change.step.split()[2]
    toward = math.copysign(1.0, GAZES[way][AXES.index(change.axis)])
    held, still = (_speed(found, step, change.eye, change.axis) for step in (gaze_key(way), "centre"))
    if held is None or still is None:
        return False
    after = (still.value or 0.0) + (change.value or 0.0)
    return toward * (held.value or 0.0) < 0 and toward * after >= REBOUND_DPS


NOT_CONCLUDED = (
    "A central lesion from nystagmus at or beyond 30 deg, in tiredness, with sedatives, drugs against "
    "epilepsy or "
    "weak eye muscles.",
    "Anything from its mere presence: 71 % of healthy people have gaze-evoked nystagmus at 30 deg (Front "
    "Neurol "
    "2020;11:547015, abstract).",
)


def _procedure(key: str, title: str, steps: tuple[Step, ...], *, fixating: bool) -> Procedure:
    return Procedure(
        key=key,
        title=title,
        purpose="Shows whether the neural integrator holds the eye, and Alexander's law of a nystagmus.",
        preparation=(
            "After calibration. Targets of 25 degrees across and 20 degrees up and down, as far as the "
            "goggles let see.",
            "Ask for alcohol, sedatives and drugs against epilepsy.",
        ),
        contraindications=(),
        stop_signs=ALWAYS_STOP,
        steps=steps,
        analyse=partial(analyse, key=key, title=title, steps=steps, fixating=fixating),
    )


GAZE_HOLDING = _procedure("gaze_holding", "Gaze holding", GAZE_STEPS, fixating=True)
GAZE_HOLDING_DARK = _procedure(
    "gaze_holding_dark", "Gaze holding without fixation", GAZE_DARK_STEPS, fixating=False
)
