"""Saccades to a target that jumps, across and up and down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace

import numpy as np

from analysis import main_sequence
from analysis.battery.dysconjugacy import (
    LEAST,
    WORD_SETTINGS,
    between_eyes,
    index_texts,
    red_flags,
    what_fits,
)
from analysis.battery.saccade_shape import shape_findings
from analysis.battery.safety import ALWAYS_STOP
from analysis.battery.stepwise import StepSettings, measure_steps, settings_in_words, step_cautions
from analysis.battery.stimulus_findings import (
    Place,
    counted,
    of_estimate,
    of_repeats,
    parts_of,
    place_of,
    why_not,
)
from analysis.battery.stimulus_steps import ACROSS, SACCADE_STEPS
from analysis.estimate import Estimate
from analysis.eye_window import EyeWindow
from analysis.finding import Finding
from analysis.main_sequence import MainSequence, reference_velocity_dps
from analysis.procedure import Observed, Procedure, Result, Step, Window
from analysis.saccades import FULL_RATE_HZ, LARGE_DEG, LEAST_RATE_HZ, SLOWER, Answer, SaccadeSettings, answers
from analysis.stimulus import shown_in
from capture.samples import Eye

LATENCY, GAIN, SPEED = "saccade_latency", "saccade_gain", "saccade_speed"
VMAX, CONSTANT, PEAK, ASYMMETRY = "main_sequence_vmax", "main_sequence_constant", "saccade_peak", "asymmetry"
NOT_USED = {
    "anticipation": "anticipations",
    "miss": "misses",
    "wrong way": "saccades the wrong way",
    "not seen": "jumps without the eye in view",
}
COUNTS = {outcome.replace(" ", "_"): name for outcome, name in NOT_USED.items()}  # by key of the finding
WAYS = (("right", "left"), ("up", "down"))  # toward positive, toward negative
SIZES_DEG = ((5.0, 15.0, 30.0), (5.0, 10.0, 20.0))  # at which peak velocities are given
COMPARED_DEG = (20.0, 10.0)  # at which both directions are compared
BEYOND = 1.15  # times the largest or smallest saccade, to which the curve is read (design choice)


@dataclass(frozen=True, slots=True)
class SaccadeTestSettings:
    """The one configuration for every recording."""

    steps: StepSettings = field(default_factory=StepSettings)
    saccades: SaccadeSettings = field(default_factory=SaccadeSettings)


def analyse(observed: Observed) -> Result:
    """Measure how each eye answers each jump. Never raises for a poor recording."""
    settings = SaccadeTestSettings()
    measured = measure_steps(observed, SACCADE_STEPS, settings.steps)
    found: list[Finding] = []
    for axis, step in enumerate(SACCADE_STEPS):
        given: dict[tuple[str, Eye], tuple[Answer, ...]] = {}
        missing: dict[tuple[str, Eye], str] = {}
        for eye in measured.marking:
            for window, part in parts_of(measured, step, eye):
                why, mine = _answers(observed, window, part, step, axis, settings.saccades)
                given[window.key, eye], missing[window.key, eye] = mine, why or why_not(part)
                place = place_of(window, part, eye, axis)
                found += _of_eye(place, mine, part, why)
        if step.key == ACROSS:
            found += between_eyes(given, missing, tuple(measured.marking), observed.age)
    return Result(
        procedure=SACCADES.key,
        title=SACCADES.title,
        windows=measured.windows,
        findings=tuple(found),
        conclusions=_words(found),
        red_flags=red_flags(found),
        fits=what_fits(found),
        not_concluded=NOT_CONCLUDED,
        cautions=step_cautions(observed, measured, settings.steps),
        choices=CHOICES,
        settings=settings_in_words(settings.steps) | asdict(settings.saccades) | WORD_SETTINGS,
    )


def _answers(
    observed: Observed,
    window: Window,
    part: EyeWindow | None,
    step: Step,
    axis: int,
    settings: SaccadeSettings,
) -> tuple[str, tuple[Answer, ...]]:
    """Why none is asked for, or the answers to the jumps."""
    if (why := why_not(part, degrees=False, times=True)) or part is None:
        return why, ()
    shown = shown_in(observed.recording, window, step)
    jumps = shown.jumps(axis) if shown else ()
    if not jumps:
        return "no target jumped in this step", ()
    return "", answers(part.trace, jumps, axis, settings)


def _of_eye(place: Place, mine: Sequence[Answer], part: EyeWindow | None, why: str) -> list[Finding]:
    """Every measure of one eye on one axis, each direction by itself."""
    degrees = why or why_not(part)
    speeds = degrees or _too_slow(part)
    axis = place.axis or 0
    found, curves = [], []
    for sign, way in zip((1, -1), WAYS[axis], strict=True):
        all_of = [a for a in mine if a.jump.size_deg * sign > 0]
        used = [a for a in all_of if a.outcome == "used"]
        found += _of_direction(place, way, all_of, why, degrees)
        curve = speeds or _curve(used)
        curves.append(curve)
        found += _of_curve(place, way, curve, used)
        found.append(_speed(place, way, used, len(all_of), speeds))
        found += shape_findings(place, way, used, degrees or _too_slow(part, FULL_RATE_HZ))
    found.append(_asymmetry(place, curves))
    return found


def _too_slow(part: EyeWindow | None, least_hz: float = LEAST_RATE_HZ) -> str:
    rate_hz = part.trace.rate_hz if part else 0.0
    if rate_hz < SLOWER * least_hz:
        return f"sampling rate too low ({rate_hz:.0f}/s, {least_hz:g}/s needed)"
    return ""


def _of_direction(place: Place, way: str, all_of: Sequence[Answer], why: str, degrees: str) -> list[Finding]:
    used = [a for a in all_of if a.outcome == "used"]
    late = place.finding(
        f"{LATENCY}_{way}", f"latency, to the {way}" if place.axis == 0 else f"latency, {way}", "ms",
        why or "-", "onset of the primary saccade - jump of the target",
    )  # fmt: skip
    gain = place.finding(
        f"{GAIN}_{way}", f"gain, {way}", "", degrees or "-",
        "amplitude of the primary saccade / jump of the target",
    )  # fmt: skip
    found = [
        late if why else of_repeats(late, [1000 * a.latency_s for a in used], len(all_of), LEAST, "saccades"),
        gain if degrees else of_repeats(gain, [a.gain for a in used], len(all_of), LEAST, "saccades"),
    ]
    for outcome, (key, name) in zip(NOT_USED, COUNTS.items(), strict=True):
        blank = place.finding(f"{key}_{way}", f"{name}, {way}", "times", why or "-")
        found.append(blank if why else counted(blank, sum(a.outcome == outcome for a in all_of)))
    return found


def _curve(used: Sequence[Answer]) -> MainSequence | str:
    known = [a for a in used if np.isfinite(a.peak_velocity_dps)]
    if len(known) < LEAST <= len(used):
        return f"below {FULL_RATE_HZ:g}/s only jumps of {LARGE_DEG:g} deg and more have a velocity: no curve"
    return main_sequence.fit(
        [abs(a.amplitude_deg) for a in known],
        [a.peak_velocity_dps for a in known],
        [a.peak_error for a in known],
    )


def _of_curve(place: Place, way: str, curve: MainSequence | str, used: Sequence[Answer]) -> list[Finding]:
    """The curve's constants, and peak velocities at the sizes that it covers."""
    missing = curve if isinstance(curve, str) else ""
    formula = main_sequence.FORMULA
    rows = [
        (VMAX, f"main sequence, Vmax, {way}", "deg/s", None),
        (CONSTANT, f"main sequence, C, {way}", "deg", None),
        *(
            (f"{PEAK}_{size:g}", f"peak velocity at {size:g} deg, {way}", "deg/s", size)
            for size in SIZES_DEG[place.axis or 0]
        ),
    ]
    found = []
    for key, name, unit, size in rows:
        blank = place.finding(f"{key}_{way}", name, unit, missing or "-", formula)
        if not isinstance(curve, str):
            value: Estimate | str = curve.vmax() if key == VMAX else curve.constant()
            if size is not None:
                value = _at(curve, size)
            blank = replace(of_estimate(blank, value), accepted=curve.used, rejected=len(used) - curve.used)
        found.append(blank)
    return found


def _at(curve: MainSequence, size: float) -> Estimate | str:
    if not curve.smallest_deg / BEYOND <= size <= curve.largest_deg * BEYOND:
        return f"no saccade near {size:g} deg"
    return curve.velocity(size)


def _speed(place: Place, way: str, used: Sequence[Answer], found: int, why: str) -> Finding:
    blank = place.finding(
        f"{SPEED}_{way}", f"peak velocity of the main sequence, {way}", "%", why or "-",
        "100 x peak velocity / (551 (1 - exp(-amplitude / 14))), median",
    )  # fmt: skip
    if why:
        return blank
    shares = [100 * a.peak_velocity_dps / reference_velocity_dps(a.amplitude_deg) for a in used]
    return of_repeats(blank, [s for s in shares if np.isfinite(s)], found, LEAST, "saccades with a velocity")


def _asymmetry(place: Place, curves: Sequence[MainSequence | str]) -> Finding:
    """Of peak velocity between the directions, at one amplitude."""
    axis = place.axis or 0
    size, (one, other) = COMPARED_DEG[axis], WAYS[axis]
    blank = place.finding(
        f"{PEAK}_{ASYMMETRY}", f"asymmetry of peak velocity at {size:g} deg", "%", "-",
        f"100 ({one} - {other}) / ({one} + {other})",
    )  # fmt: skip
    speeds = [c if isinstance(c, str) else _at(c, size) for c in curves]
    first, second = speeds
    if isinstance(first, str) or isinstance(second, str):
        missing = [f"{w}: {s}" for w, s in zip(WAYS[axis], speeds, strict=True) if isinstance(s, str)]
        return of_estimate(blank, missing[0])
    return of_estimate(blank, main_sequence.contrast(first, second))


def _words(found: Sequence[Finding]) -> tuple[str, ...]:
    """One sentence an eye and direction."""
    values = {(f.key, f.step, f.eye): f for f in found}
    texts = []
    for (key, step, eye), late in values.items():
        if not key.startswith(LATENCY) or eye is None:
            continue
        way = key.removeprefix(f"{LATENCY}_")
        head = f"{eye.capitalize()} eye, {step}, {way}"
        if late.value is None:
            texts.append(f"{head}: not assessed ({late.reason}).")
            continue
        gain, speed = values[f"{GAIN}_{way}", step, eye], values[f"{SPEED}_{way}", step, eye]
        said = [f"latency {late.value:.0f} ms"]
        for name, f, text in (("gain", gain, f"{gain.value or 0:.2f}"), ("speed", speed, _percent(speed))):
            said.append(f"{name} not assessed ({f.reason})" if f.value is None else f"{name} {text}")
        counts = [f"{name} {values[f'{k}_{way}', step, eye].value or 0:.0f}" for k, name in COUNTS.items()]
        texts.append(f"{head}: {', '.join(said)}; used {late.accepted}, {', '.join(counts)}.")
    return (*texts, *index_texts(found))


def _percent(finding: Finding) -> str:
    return f"{finding.value or 0:.0f} % of the main sequence"


NOT_CONCLUDED = (
    "Anything of a drowsy, inattentive or poorly seeing patient, or from fewer than 8 saccades a direction.",
    "A side from small differences between abduction and adduction: published ratios depend on the method.",
    "The speed of saccades from below 100 samples/s; of small ones from below 200.",
)
CHOICES = (
    "Gain: amplitude of the primary saccade over the jump of the target, corrective saccades not counted.",
    "Onset: where the smooth course fitted to the saccade begins, not where a fixed speed is passed.",
)

SACCADES = Procedure(
    key="saccades",
    title="Saccades",
    purpose="Latency, accuracy and speed of saccades.",
    preparation=(
        "At least 100, better 200 pictures a second; both eyes; good calibration.",
        "Sight good enough for a spot of 0.5 deg.",
    ),
    contraindications=(),
    stop_signs=ALWAYS_STOP,
    steps=SACCADE_STEPS,
    analyse=analyse,
)
