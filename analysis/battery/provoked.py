"""Nystagmus that shaking, vibration, breathing, pressure or sound provokes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

from analysis.battery.changes import (
    CHANGE,
    LEAST_RESTS,
    USUAL_VARIATION,
    Compared,
    certain,
    certain_ways,
    change_findings,
)
from analysis.battery.pressure_words import pressure_words
from analysis.battery.provoked_course import BEGINS, ENDS, FADING, LASTS, Followed, course_findings
from analysis.battery.provoked_steps import (
    HEAD_SHAKE_STEPS,
    HYPERVENTILATION_STEPS,
    PRESSURE_STEPS,
    VIBRATION_STEPS,
)
from analysis.battery.provoked_words import breathing_words, vibration_words
from analysis.battery.safety import (
    ALWAYS_STOP,
    DEEP_BREATHS,
    DRUM,
    EPILEPSY,
    HEART,
    NECK_ABSOLUTE,
    NECK_ARTERY,
    RETINA,
    SKULL,
    STIFF_NECK,
    UNSTABLE_NECK,
)
from analysis.battery.shaken import BEATS, LEAST_BEATS, SHAKEN, shaken_beats
from analysis.battery.spontaneous_words import Reading, speed, what_is_found
from analysis.battery.stepwise import Measured, StepSettings, measure_steps, settings_in_words, step_cautions
from analysis.eye_window import VELOCITY, NystagmusSettings
from analysis.finding import Finding
from analysis.marking import DIRECTION_NOT_PROVEN, marked
from analysis.nystagmus import BEAT_NAMES, direction
from analysis.procedure import Observed, Procedure, Result, Step
from analysis.windows import step_of, step_windows

Words = Callable[[Sequence[Finding]], tuple[str, ...]]

HEAD_SHAKE_DPS = 3.0  # common practice, no source; 2 to 3 in different laboratories
PRESENT_DPS = 2.0  # design choice
CHOICES = (
    "A change is named from 1 deg/s and three standard errors on, in which a nystagmus varies by "
    f"{USUAL_VARIATION:.0%} of itself from minute to minute where fewer than {LEAST_RESTS} rests show by how "
    "much. The interval is that of the measurement alone.",
)
NO_SIDE = "The side: without other evidence the direction does not name it."


def analyse(
    observed: Observed,
    *,
    key: str,
    title: str,
    steps: Sequence[Step],
    compared: Sequence[Compared],
    words: Words,
    not_concluded: tuple[str, ...],
    least_valid_s: float = 5.0,
    more: Callable[[Measured], tuple[Finding, ...]] = lambda measured: (),
) -> Result:
    """Measure each step of rest, and what the stimulus changes. Never raises for a poor recording.

    Steps in which nothing is measured (the head is being shaken) are left out.
    """
    settings = StepSettings(nystagmus=NystagmusSettings(least_valid_s=least_valid_s))
    windows = tuple(
        w
        for w in step_windows(observed.recording, settings.windows, steps)
        if (step := step_of(w, steps)) is None or step.measured
    )
    measured = measure_steps(observed, steps, settings, windows)
    changes = (*change_findings(observed, measured, compared), *more(measured))
    measured = replace(measured, findings=tuple(_present(f, changes) for f in measured.findings))
    reading = Reading(measured.windows, measured.findings, measured.marking)
    proven = all(m.direction_proven for m in measured.marking.values())
    return Result(
        procedure=key,
        title=title,
        windows=measured.windows,
        findings=(*measured.findings, *changes),
        conclusions=(*what_is_found(reading), *_sentences(changes)),
        fits=words(changes) if proven else (),
        not_concluded=not_concluded,
        choices=CHOICES,
        cautions=step_cautions(observed, measured, settings),
        settings=settings_in_words(settings),
    )


def _sentences(changes: Sequence[Finding]) -> list[str]:
    """One sentence a change that is certain and at least 1 deg/s."""
    return [
        f"{f.name[0].upper()}{f.name[1:]}, {f.step}, {f.eye} eye: "
        f"{BEAT_NAMES.get(f.direction, f'{f.axis} nystagmus')} by "
        f"{marked(f'{speed(f.value)} deg/s', f.unit, f.marks)}."
        for f in changes
        if f.value is not None and f.unit == "deg/s" and certain(f, 1.0)
    ]


def _shaken(changes: Sequence[Finding], axis: str) -> set[str]:
    """Directions of a fast change 2 to 5 s after shaking: enough beats that way, or certain by itself."""
    enough = {
        (f.eye, f.direction)
        for f in changes
        if (f.key, f.axis) == (BEATS, axis) and (f.value or 0.0) >= LEAST_BEATS and f.direction
    }
    return {
        way
        for f in changes
        if (f.key, f.axis) == (CHANGE, axis)
        and abs(f.value or 0.0) >= HEAD_SHAKE_DPS
        and ((f.eye, way := direction(axis, f.value or 0.0)) in enough or certain(f, HEAD_SHAKE_DPS))
    }


def _present(finding: Finding, changes: Sequence[Finding]) -> Finding:
    """A velocity is present where the stimulus surely made it: what scatters it may be its course."""
    if finding.key != VELOCITY or finding.value is None or finding.axis is None:
        return finding
    mine = [f for f in changes if f.eye == finding.eye]
    made = _shaken(mine, finding.axis) if finding.step == SHAKEN else set()
    made |= certain_ways(mine, finding.step, finding.axis, PRESENT_DPS)
    if (way := direction(finding.axis, finding.value)) not in made:
        return finding
    return replace(finding, present=True, direction="" if DIRECTION_NOT_PROVEN in finding.marks else way)


def _head_shake(changes: Sequence[Finding]) -> tuple[str, ...]:
    texts = []
    for way in sorted(_shaken(changes, "horizontal")):
        other = "left" if way == "right" else "right"
        texts.append(
            f"{way.capitalize()}-beating after shaking: fits reduced function on the {other}, irritation "
            "or recovery "
            f"on the {way}, and a central cause. Supportive only: the test is neither sensitive nor specific "
            "enough (27 to 90 %)."
        )
    if _shaken(changes, "vertical"):
        texts.append(
            "Vertical nystagmus after horizontal shaking (perverted): fits a central cause (Choi 2007, "
            "from memory)."
        )
    return tuple(texts)


HEAD_SHAKE = Procedure(
    key="head_shake",
    title="Head shake",
    purpose="Shows an asymmetry of velocity storage that is hidden at rest.",
    preparation=("Not after the caloric test, not in acute vomiting.", "After positional tests where "
    "these fit."),
    contraindications=(*NECK_ABSOLUTE, "detached retina", "acute vomiting"),
    stop_signs=(*ALWAYS_STOP, "Neck pain."),
    steps=HEAD_SHAKE_STEPS,
    analyse=partial(
        analyse,
        key="head_shake",
        title="Head shake",
        steps=HEAD_SHAKE_STEPS,
        compared=(
            Compared("baseline", "after head shaking", 2.0, 5.0, name="change 2 to 5 s after shaking"),
            Compared("baseline", "after head shaking", 20.0, 60.0, key="late_change",
                     name="change 20 to 60 s after shaking"),
        ),
        words=_head_shake,
        more=lambda measured: (
            *shaken_beats(measured),
            *course_findings(measured, (Followed((SHAKEN,), FADING, after=True),)),
        ),
        not_concluded=(NO_SIDE, "No loss from a normal test: its sensitivity is low."),
    ),
    questions=tuple(replace(q, instead=()) for q in (STIFF_NECK, UNSTABLE_NECK, NECK_ARTERY, RETINA)),
)  # fmt: skip

VIBRATION = Procedure(
    key="vibration",
    title="Skull vibration",
    purpose="Shows an asymmetry between the labyrinths at high frequency.",
    preparation=("Vibrator of 100 Hz, amplitude 0.2 to 1 mm.", "After positional tests: it may move debris."),
    contraindications=(
        "recent operation of ear or eye, detached retina", "anticoagulation with high risk of bleeding",
        "recent bleeding in the head, painful place on the skull, implant or shunt",
        "recent repositioning of debris",
    ),
    stop_signs=ALWAYS_STOP,
    steps=VIBRATION_STEPS,
    analyse=partial(
        analyse,
        key="vibration",
        title="Skull vibration",
        steps=VIBRATION_STEPS,
        compared=tuple(Compared("baseline", f"vibration {place}") for place in ("right", "left", "vertex")),
        words=vibration_words,
        more=partial(
            course_findings,
            followed=tuple(
                Followed((f"vibration {place}", f"rest after vibration {place}"), (BEGINS, ENDS))
                for place in ("right", "left", "vertex")
            ),
        ),
        not_concluded=(NO_SIDE, "No loss from absence: a loss on both sides gives no response."),
    ),
    questions=(RETINA, SKULL),
)  # fmt: skip

HYPERVENTILATION = Procedure(
    key="hyperventilation",
    title="Hyperventilation",
    purpose="Shows nystagmus of a nerve or a compensated loss that deep breathing changes.",
    preparation=("One deep breath each 2 to 3 s. A person beside the patient.",),
    contraindications=(
        "coronary disease, arrhythmia, recent stroke, cerebrovascular disease, raised pressure in the head",
        "sickle-cell disease, epilepsy, pregnancy, severe lung disease, panic disorder",
    ),
    stop_signs=(*ALWAYS_STOP, "Cramp of the hands, faintness. Then breathe slowly."),
    steps=HYPERVENTILATION_STEPS,
    analyse=partial(
        analyse,
        key="hyperventilation",
        title="Hyperventilation",
        steps=HYPERVENTILATION_STEPS,
        compared=(
            Compared(
                "baseline", "deep breathing", 10.0, 0.0, True, name="change in the last 10 s of breathing"
            ),
            Compared(
                "baseline", "after breathing", 0.0, 10.0, name="change in the first 10 s after breathing"
            ),
        ),
        words=breathing_words,
        more=partial(
            course_findings,
            followed=(Followed(("deep breathing", "after breathing"), (BEGINS, LASTS)),),
        ),
        not_concluded=(NO_SIDE,),
    ),
    questions=(HEART, EPILEPSY, DEEP_BREATHS),
)

PRESSURE_AND_SOUND = Procedure(
    key="pressure_and_sound",
    title="Valsalva, pressure and sound",
    purpose="Looks for a fistula or a dehiscence: movement of the eyes with pressure or sound.",
    preparation=(
        "Torsion readable on both eyes.",
        "Driftbeat never makes the tone: an audiometer does, in dB HL.",
    ),
    contraindications=(
        "operation of ear, eye or brain within 3 weeks, detached retina, aneurysm, recent heart or brain "
        "event",
        "hole in the eardrum (for pressure)",
    ),
    stop_signs=(*ALWAYS_STOP, "Pain."),
    steps=PRESSURE_STEPS,
    analyse=partial(
        analyse,
        key="pressure_and_sound",
        title="Valsalva, pressure and sound",
        steps=PRESSURE_STEPS,
        compared=tuple(
            Compared("baseline", step.key) for step in PRESSURE_STEPS[1:] if not step.key.startswith("rest")
        ),
        words=pressure_words,
        not_concluded=("A fistula or a dehiscence from the recording alone.",),
        least_valid_s=2.5,
    ),
    questions=(RETINA, HEART, DRUM),
)
PROVOKED = (HEAD_SHAKE, VIBRATION, HYPERVENTILATION, PRESSURE_AND_SOUND)
