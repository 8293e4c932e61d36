"""Spontaneous nystagmus, without and with fixation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import hypot

from analysis.battery.fixation_findings import index_and_reduction
from analysis.battery.slow_phase_shapes import shape_findings, shape_texts
from analysis.battery.spontaneous_words import WORD_SETTINGS, Reading, red_flags, what_fits, what_is_found
from analysis.battery.stepwise import Measured, StepSettings, measure_steps, settings_in_words, step_cautions
from analysis.estimate import error_of, with_error
from analysis.eye_window import AMPLITUDE, DRIFT, VELOCITY
from analysis.finding import Finding
from analysis.fixation import LEAST_VELOCITY_DPS
from analysis.limits import judge
from analysis.marking import DIRECTION_NOT_PROVEN
from analysis.procedure import Observed, Procedure, Result, Step, Window
from analysis.shared_slope import sample_noise_deg
from analysis.spans import with_hidden
from analysis.windows import light_is_on
from capture.samples import AXES, EYES, Eye, Target

SEEN_FROM = 5.0  # times a sample's noise: smaller quick phases may be missed (design choice)
CENTRE = (Target(0.0, 60.0, 0.0, 0.0),)


def analyse(observed: Observed) -> Result:
    """Measure nystagmus in each step and what fixation does to it.

    Never raises for a poor recording: what cannot be assessed is a finding without a value, with its reason.
    """
    settings = StepSettings()
    measured = measure_steps(observed, SPONTANEOUS.steps, settings)
    windows, marking = measured.windows, measured.marking
    found = [
        judge(f, measured.light(f.step), observed.age)
        for f in _reaching(measured.findings, observed, measured)
    ]
    found += [f for eye in marking for f in _fixation(found, windows, eye)]
    found += _eyes_compared(found, measured)
    shapes = shape_findings(measured)
    reading = Reading(windows, tuple(found), marking)
    return Result(
        procedure=SPONTANEOUS.key,
        title=SPONTANEOUS.title,
        windows=windows,
        findings=(*found, *shapes),
        conclusions=(*what_is_found(reading), *shape_texts(shapes)),
        red_flags=red_flags(reading),
        fits=what_fits(reading),
        not_concluded=NOT_CONCLUDED,
        cautions=step_cautions(observed, measured, settings),
        choices=CHOICES,
        settings={
            **settings_in_words(settings),
            "fixation_index_from_dps": LEAST_VELOCITY_DPS,
            **WORD_SETTINGS,
        },
    )


def velocity(found: list[Finding], step: str, eye: Eye, axis: str, key: str = VELOCITY) -> Finding:
    """The finding of one step, eye and axis."""
    return next(f for f in found if (f.key, f.step, f.eye, f.axis) == (key, step, eye, axis))


def _pair(windows: tuple[Window, ...]) -> tuple[Window, Window] | str:
    """The dark window and the window with fixation that are compared, or why there is no pair.

    Fixation is the first target step after the dark, else the room light before it.
    """
    dark = [w for w in windows if w.light == "dark"]
    if not dark:
        return "no step without fixation"
    later = [w for w in windows if w.light == "fixation" and w.start_s >= dark[0].start_s]
    lit = later or [w for w in windows if light_is_on(w.light)]
    if not lit:
        return "no step with fixation"
    return max((w for w in dark if not later or w.start_s <= later[0].start_s), key=_end), lit[0]


def _end(window: Window) -> float:
    return window.end_s


def _reaching(found: Sequence[Finding], observed: Observed, measured: Measured) -> list[Finding]:
    """The findings, the interval of each drift wide enough for beats that are too small to be found."""
    made = []
    for f in found:
        if f.key == DRIFT and f.interval is not None and f.eye is not None and f.axis is not None:
            part = measured.parts[f.step, f.eye]
            beats = [b for b in observed.beats[f.eye] if b.accepted]
            span_s = (part.window.used_from_s, part.window.end_s)
            interval = with_hidden(f.interval, part.trace, beats, AXES.index(f.axis), span_s)
            made.append(replace(f, interval=interval))
        else:
            made.append(f)
    return made


def _fixation(found: list[Finding], windows: tuple[Window, ...], eye: Eye) -> list[Finding]:
    """Fixation index and absolute reduction of one eye, one pair for each axis."""
    pair = _pair(windows)
    return [f for axis in AXES for f in _fixation_on_axis(found, pair, eye, axis)]


def _fixation_on_axis(
    found: list[Finding], pair: tuple[Window, Window] | str, eye: Eye, axis: str
) -> tuple[Finding, Finding]:
    if isinstance(pair, str):
        return index_and_reduction(eye, axis, pair)
    dark = velocity(found, pair[0].key, eye, axis)
    lit = _beats_or_drift(found, pair[1].key, eye, axis)  # fixation may leave no beats at all
    if dark.no_beats:
        return index_and_reduction(eye, axis, "no nystagmus in the dark")
    if dark.value is None or lit.value is None:
        why = f"{pair[0].key}: {dark.reason}" if dark.value is None else f"{pair[1].key}: {lit.reason}"
        return index_and_reduction(eye, axis, why)
    marks = tuple(dict.fromkeys(dark.marks + lit.marks))
    return index_and_reduction(eye, axis, ((dark.value, dark.interval), (lit.value, lit.interval)), marks)


def _eyes_compared(found: list[Finding], measured: Measured) -> list[Finding]:
    """Right minus left slow-phase velocity in each step, axis by axis."""
    if len(measured.marking) < 2:
        return [
            Finding("eye_difference", "right eye minus left eye", "deg/s", reason="one eye recorded", axis=a)
            for a in AXES
        ]
    return [_difference(found, measured, window.key, axis) for window in measured.windows for axis in AXES]


def _beats_or_drift(found: list[Finding], step: str, eye: Eye, axis: str) -> Finding:
    """The velocity of the beats, or of the slow drift of an eye that was seen to make too few."""
    beats = velocity(found, step, eye, axis)
    return velocity(found, step, eye, axis, DRIFT) if beats.no_beats else beats


def _hidden(found: list[Finding], measured: Measured, step: str, axis: str) -> str:
    """Whether an eye without beats is too noisy to show those of the other eye; "" where it is not."""
    for eye, other in zip(EYES, EYES[::-1], strict=True):
        beats, part = velocity(found, step, other, axis, AMPLITUDE), measured.parts.get((step, eye))
        if part is None or beats.value is None or not velocity(found, step, eye, axis).no_beats:
            continue
        span = part.window.used_from_s, part.window.end_s
        noise_deg = sample_noise_deg(part.trace, *span, AXES.index(axis))
        if beats.value < SEEN_FROM * noise_deg:
            return f"{eye} eye: noise of {noise_deg:.1f} deg hides beats as small as the other eye's"
    return ""


def _difference(found: list[Finding], measured: Measured, step: str, axis: str) -> Finding:
    right, left = (_beats_or_drift(found, step, eye, axis) for eye in EYES)
    whole = Finding("eye_difference", "right eye minus left eye", "deg/s", reason="-", step=step, axis=axis)
    if right.value is None or left.value is None:
        missing = right if right.value is None else left
        return replace(whole, reason=f"{missing.eye} eye: {missing.reason}")
    if hidden := _hidden(found, measured, step, axis):
        return replace(whole, reason=hidden)
    unproven = [f for f in (right, left) if DIRECTION_NOT_PROVEN in f.marks]
    if unproven:  # signs of two pictures, one of which may be mirrored
        return replace(whole, reason=f"{unproven[0].eye} eye: {DIRECTION_NOT_PROVEN}")
    apart = with_error(right.value - left.value, hypot(error_of(right.interval), error_of(left.interval)))
    return replace(
        whole,
        value=apart.value,
        reason="",
        standard_error=apart.standard_error,
        interval=apart.interval,
        marks=tuple(dict.fromkeys(right.marks + left.marks)),
    )


NOT_CONCLUDED = (
    "The side: from the direction of a nystagmus alone no side follows (reduced function on one side or "
    "irritation on the other).",
    "A peripheral origin from suppression by fixation: strokes may be suppressed as well "
    "(Mantokoudis et al., Neurology 2021;97:e42-e51, abstract).",
    "Absence of a vestibular loss from absence of nystagmus: compensation hides it.",
)
CHOICES = (
    "Fixation index: |with fixation| / |in the dark|; printed with the absolute reduction, because the index "
    "alone did not tell stroke from neuritis.",
    "Present means: 3 consecutive beats of one direction within 10 s, median at least 1 deg/s and more than "
    "3 standard errors.",
)

SPONTANEOUS = Procedure(
    key="spontaneous",
    title="Spontaneous nystagmus",
    purpose="Shows an imbalance of vestibular tone at rest, and what fixation does to it.",
    preparation=(
        "Seated upright, head straight, after calibration and direction check.",
        "Note time since the attack, drugs, alcohol.",
        "No light inside the goggles in the dark step: a visible glow is fixated.",
    ),
    contraindications=(),
    stop_signs=("The patient asks to stop.",),
    steps=(
        Step(
            key="light",
            title="Room light",
            instruction="Look straight ahead at the mark. Keep both eyes wide open.",
            light="light",
            posture="upright, head straight",
            stimulus="room light, mark straight ahead",
            targets=CENTRE,
            shortest_s=20.0,
            longest_s=30.0,
            measured="slow-phase velocity with fixation; none is expected",
            action="Goggles open or room light on. Head straight.",
        ),
        Step(
            key="dark",
            title="Dark",
            instruction="Keep your eyes wide open, look straight ahead and count backwards in sevens.",
            light="dark",
            posture="upright, head straight",
            stimulus="none: goggles covered, no visible light",
            targets=(),
            shortest_s=30.0,
            longest_s=60.0,
            measured="slow-phase velocity without fixation",
            action="Cover the goggles. Ask whether anything is seen, then keep the patient talking.",
            confirm="Nothing is seen.",
        ),
        Step(
            key="fixation",
            title="Target on",
            instruction="Look at the light.",
            light="fixation",
            posture="upright, head straight",
            stimulus="one target straight ahead",
            targets=CENTRE,
            shortest_s=15.0,
            longest_s=15.0,
            measured="fixation index and absolute reduction against the dark step",
            action="Switch the target on, straight ahead.",
        ),
    ),
    analyse=analyse,
)
