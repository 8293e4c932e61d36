"""Optokinetic nystagmus by a small moving field, to both sides at two velocities."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from analysis.battery.changes import Compared, change_findings
from analysis.battery.provoked_course import TAU, Followed, course_findings
from analysis.battery.safety import ALWAYS_STOP
from analysis.battery.spontaneous_words import speed as in_words
from analysis.battery.stepwise import (
    Measured,
    StepSettings,
    measure_steps,
    settings_in_words,
    step_cautions,
)
from analysis.battery.stimulus_findings import Place, of_estimate, parts_of, place_of, why_not
from analysis.battery.stimulus_steps import (
    AFTER_FIELD,
    BEFORE_FIELD,
    FIELD_DPS,
    OPTOKINETIC_STEPS,
    PHOTOSENSITIVE,
)
from analysis.estimate import Estimate
from analysis.finding import Finding
from analysis.marking import rounded
from analysis.optokinetic import ASYMMETRY_FORMULA, GAIN_FORMULA, GREATEST_GAIN, asymmetry, gain
from analysis.procedure import Observed, Procedure, Result, Step, Window
from analysis.spans import velocity_in
from analysis.windows import step_of, step_windows
from capture.samples import AXES, Eye

GAIN, ASYMMETRY, AFTER_VELOCITY = "optokinetic_gain", "optokinetic_asymmetry", "after_nystagmus_velocity"
STEPS = {step.key: step for step in OPTOKINETIC_STEPS}
AFTER_KEYS = [key for key in STEPS if key.startswith(AFTER_FIELD)]
AFTER = [  # the first second is the end of pursuit (design choice)
    Compared(BEFORE_FIELD, key, 1.0, 4.0, key=AFTER_VELOCITY, name="velocity of the after-nystagmus")
    for key in AFTER_KEYS
]
AFTER_COURSE = [Followed((key,), (TAU,), after=True, rest=BEFORE_FIELD) for key in AFTER_KEYS]


@dataclass(frozen=True, slots=True)
class OptokineticSettings:
    """The one configuration for every recording."""

    steps: StepSettings = field(default_factory=StepSettings)
    dropped_s: float = 3.0  # of each field, clinical reference 11


def analyse(observed: Observed) -> Result:
    """Measure each eye's nystagmus under each field. Never raises for a poor recording."""
    settings = OptokineticSettings()
    windows = step_windows(observed.recording, settings.steps.windows, OPTOKINETIC_STEPS)
    windows = tuple(_dropped(w, settings.dropped_s) for w in windows)
    measured = measure_steps(observed, OPTOKINETIC_STEPS, settings.steps, windows)
    gains = [f for eye in measured.marking for key in FIELD_DPS for f in _gains(measured, key, eye)]
    uneven = [f for eye in measured.marking for pair in _pairs() for f in _asymmetries(measured, pair, eye)]
    found = (*measured.findings, *gains, *uneven, *_after_findings(observed, measured))
    return Result(
        procedure=OPTOKINETIC.key,
        title=OPTOKINETIC.title,
        windows=windows,
        findings=found,
        conclusions=_words(found),
        not_concluded=NOT_CONCLUDED,
        cautions=(*step_cautions(observed, measured, settings.steps), *_too_high(measured, gains)),
        choices=("Small-field: limits of a full field are not applied.",),
        settings=settings_in_words(settings.steps) | {"optokinetic_dropped_s": settings.dropped_s},
    )


def _dropped(window: Window, dropped_s: float) -> Window:
    """The window of a field without its first seconds."""
    step = step_of(window, OPTOKINETIC_STEPS)
    if window.outside or step is None or step.key not in FIELD_DPS:
        return window
    used_from_s = min(max(window.used_from_s, window.start_s + dropped_s), window.end_s)
    return replace(window, used_from_s=used_from_s, note=f"first {dropped_s:g} s of the field dropped")


def _pairs() -> list[tuple[str, str]]:
    """Steps of the same speed, to the right and to the left."""
    return [
        (right, left)
        for right, dps in FIELD_DPS.items()
        for left, other in FIELD_DPS.items()
        if dps > 0 and other == -dps
    ]


def _velocity(measured: Measured, step: Step, eye: Eye) -> Estimate | str:
    """Slow-phase velocity of the last try of a step, or why there is none."""
    _, part = parts_of(measured, step, eye)[-1]
    if (why := why_not(part, degrees=False, times=False)) or part is None:
        return f"{step.key}: {why}"
    speed = velocity_in(part.trace, part.accepted, 0, part.window.used_from_s, part.window.end_s)
    return speed or f"{step.key}: the eye was not seen well enough"


def _gains(measured: Measured, key: str, eye: Eye) -> list[Finding]:
    found = []
    for window, part in parts_of(measured, STEPS[key], eye):
        place = place_of(window, part, eye, 0)
        blank = place.finding(GAIN, "gain", "", "-", GAIN_FORMULA)
        if (why := why_not(part, times=True)) or part is None:
            found.append(replace(blank, reason=why))
            continue
        speed = velocity_in(part.trace, part.accepted, 0, window.used_from_s, window.end_s)
        value = gain(speed, FIELD_DPS[key]) if speed else "the eye was not seen well enough"
        counts = {"accepted": len(part.accepted), "rejected": len(part.rejected)}
        found.append(replace(of_estimate(blank, value), **counts))
    return found


def _asymmetries(measured: Measured, pair: tuple[str, str], eye: Eye) -> list[Finding]:
    """As measured, and with the spontaneous nystagmus taken off."""
    speed = f"{abs(FIELD_DPS[pair[0]]):g} deg/s"
    place = Place("", eye, 0, measured.marking[eye].marks)
    keys = (f"{ASYMMETRY}_{abs(FIELD_DPS[pair[0]]):g}", f"{ASYMMETRY}_corrected_{abs(FIELD_DPS[pair[0]]):g}")
    names = (f"asymmetry at {speed}", f"asymmetry at {speed}, spontaneous nystagmus taken off")
    raw, corrected = (
        place.finding(key, name, "%", "-", ASYMMETRY_FORMULA) for key, name in zip(keys, names, strict=True)
    )
    right, left, rest = (_velocity(measured, STEPS[key], eye) for key in (*pair, BEFORE_FIELD))
    if isinstance(right, str) or isinstance(left, str):
        missing = right if isinstance(right, str) else str(left)
        return [replace(raw, reason=missing), replace(corrected, reason=missing)]
    return [
        of_estimate(raw, asymmetry(right, left)),
        of_estimate(corrected, rest if isinstance(rest, str) else asymmetry(right, left, rest)),
    ]


def _after_findings(observed: Observed, measured: Measured) -> list[Finding]:
    """Velocity and decline of the nystagmus that goes on when field and light are off."""
    early = change_findings(observed, measured, AFTER)
    return [*(f for f in early if f.axis == AXES[0]), *course_findings(measured, AFTER_COURSE)]


def _too_high(measured: Measured, gains: Sequence[Finding]) -> tuple[str, ...]:
    """Gains that no eye has, of the field alone: a spontaneous nystagmus adds to one way and is taken off."""
    still = {eye: _velocity(measured, STEPS[BEFORE_FIELD], eye) for eye in measured.marking}
    texts = []
    for f in gains:
        if f.value is None or f.eye is None:
            continue
        field_dps = next(dps for key, dps in FIELD_DPS.items() if f.step.startswith(key))
        rest = still[f.eye]
        own = f.value - (0.0 if isinstance(rest, str) else rest.value / field_dps)
        if own > GREATEST_GAIN:
            text = f"{f.eye} eye, {f.step}: a gain of {own:.2f} cannot be: the calibration is wrong"
            unknown = ", or a spontaneous nystagmus, which was not measured, adds to it"
            texts.append(text + unknown if isinstance(rest, str) else text)
    return tuple(texts)


def _words(found: Sequence[Finding]) -> tuple[str, ...]:
    texts = []
    for f in found:
        head = f"{str(f.eye).capitalize()} eye, {f.step or f.name}"
        if f.key == GAIN:
            text = (
                f"not assessed ({f.reason})"
                if f.value is None
                else f"{rounded(f.value, 2)}, {f.accepted} beats"
            )
            texts.append(f"{head}: gain {text}.")
        elif f.key.startswith(ASYMMETRY) and f.value is not None:
            texts.append(f"{head}: {_more(f)}.")
        elif f.key == AFTER_VELOCITY and f.value is not None:
            way = f"{f.direction}-beating " if f.direction else ""
            texts.append(f"{head}: {way}after-nystagmus of {in_words(f.value)} deg/s, baseline off.")
    return tuple(texts)


def _more(asymmetry: Finding) -> str:
    percent, (low, high) = asymmetry.value or 0.0, asymmetry.interval or (0.0, 0.0)
    if low <= 0 <= high:
        return f"none beyond its uncertainty ({abs(percent):.0f} %)"
    return f"{abs(percent):.0f} % more for a field to the {'right' if percent > 0 else 'left'}"


NOT_CONCLUDED = (
    "The optokinetic system by itself: a small field is mostly followed by pursuit.",
    "A place from responses that are low to both sides.",
    "Anything from one after-nystagmus that is weak: eight are averaged for a precision of a quarter "
    "(Ann Otol Rhinol Laryngol 1989;98:741-746, abstract); behind a small field there may be none.",
)

OPTOKINETIC = Procedure(
    key="optokinetic",
    title="Optokinetic nystagmus, small-field",
    purpose="Shows following of a moving field, each direction. On a small screen mostly pursuit.",
    preparation=("Below 50 cd/m2, dots rather than stripes, no red and black, no flicker.",),
    contraindications=("seizures from light",),
    stop_signs=(*ALWAYS_STOP, "Aura, absence, flicker seen."),
    steps=OPTOKINETIC_STEPS,
    analyse=analyse,
    questions=(PHOTOSENSITIVE,),
)
