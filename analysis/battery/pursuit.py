"""Smooth pursuit of a target on a sine, at four frequencies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace

from analysis.battery.safety import ALWAYS_STOP
from analysis.battery.stepwise import StepSettings, measure_steps, settings_in_words, step_cautions
from analysis.battery.stimulus_findings import Place, of_estimate, parts_of, place_of, why_not
from analysis.battery.stimulus_steps import PURSUIT_HZ, PURSUIT_STEPS
from analysis.eye_window import EyeWindow
from analysis.finding import Finding
from analysis.procedure import Observed, Procedure, Result, Step, Window
from analysis.pursuit import Pursuit, PursuitSettings, pursuit, sine_of
from analysis.stimulus import shown_in

GAIN, PHASE = "pursuit_gain", "pursuit_phase"
RELATIVE = ("pursuit_phase", "pursuit_asymmetry", "saccade_share")  # hold in uncalibrated degrees too
MEASURES = (
    (GAIN, "gain", "", "gain", "velocity of the eye / of the target, saccades out, mean of both directions"),
    ("pursuit_gain_right", "gain, to the right", "", "gain_right", "as gain, bias taken off"),
    ("pursuit_gain_left", "gain, to the left", "", "gain_left", "as gain, bias taken off"),
    (PHASE, "phase", "phase deg", "phase_deg", "phase of eye velocity - of target velocity; negative: lag"),
    ("pursuit_asymmetry", "asymmetry of gain", "%", "asymmetry_percent",
     "100 (right - left) / (right + left)"),
    ("pursuit_bias", "bias", "deg/s", "bias_dps", "velocity that does not follow the target"),
    ("saccade_share", "way covered by saccades", "%", "saccade_percent",
     "100 x size of saccades / whole way of the eye, mean of half cycles"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class PursuitTestSettings:
    """The one configuration for every recording."""

    steps: StepSettings = field(default_factory=StepSettings)
    pursuit: PursuitSettings = field(default_factory=PursuitSettings)


def analyse(observed: Observed) -> Result:
    """Measure each eye at each frequency. Never raises for a poor recording."""
    settings = PursuitTestSettings()
    measured = measure_steps(observed, PURSUIT_STEPS, settings.steps)
    found = [
        f
        for step in PURSUIT_STEPS
        for eye in measured.marking
        for window, part in parts_of(measured, step, eye)
        for f in _findings(
            place_of(window, part, eye, 0),
            part,
            _pursuit(observed, window, part, step, settings.pursuit),
        )
    ]
    return Result(
        procedure=PURSUIT.key,
        title=PURSUIT.title,
        windows=measured.windows,
        findings=tuple(found),
        conclusions=_words(found),
        not_concluded=NOT_CONCLUDED,
        cautions=step_cautions(observed, measured, settings.steps),
        choices=CHOICES,
        settings=settings_in_words(settings.steps) | asdict(settings.pursuit),
    )


def _pursuit(
    observed: Observed, window: Window, part: EyeWindow | None, step: Step, settings: PursuitSettings
) -> Pursuit | str:
    """What this eye showed in a step, or why that is not known."""
    if (why := why_not(part, degrees=False, times=True)) or part is None:
        return why
    shown = shown_in(observed.recording, window, step)
    target = sine_of(shown, PURSUIT_HZ[step.key]) if shown else "no target in this step"
    if shown is None or isinstance(target, str):
        return str(target)
    start_s, end_s = max(float(shown.time_s[0]), window.start_s), min(shown.end_s, window.end_s)
    return pursuit(part.trace, target, start_s, end_s, settings=settings)


def _findings(place: Place, part: EyeWindow | None, measured: Pursuit | str) -> list[Finding]:
    found = []
    for key, name, unit, attribute, formula in MEASURES:
        blank = place.finding(key, name, unit, "-", formula)
        degrees = "" if key in RELATIVE else why_not(part)
        if isinstance(measured, str) or degrees:
            found.append(replace(blank, reason=measured if isinstance(measured, str) else degrees))
            continue
        finding = of_estimate(blank, getattr(measured, attribute))
        found.append(replace(finding, accepted=measured.cycles, rejected=measured.cycles_dropped))
    return found


def _words(found: Sequence[Finding]) -> tuple[str, ...]:
    """One sentence an eye and frequency."""
    values = {(f.key, f.step, f.eye): f for f in found}
    texts = []
    for (key, step, eye), gain in values.items():
        if key != GAIN:
            continue
        head = f"{str(eye).capitalize()} eye, {step}"
        phase = values[PHASE, step, eye]
        lag = "" if phase.value is None else f", phase {phase.value:.1f} deg"
        if gain.value is None:
            texts.append(f"{head}: gain not assessed ({gain.reason}){lag}.")
            continue
        ways = [values[f"{GAIN}_{way}", step, eye].value or 0.0 for way in ("right", "left")]
        texts.append(
            f"{head}: gain {gain.value:.2f} (right {ways[0]:.2f}, left {ways[1]:.2f}){lag}; "
            f"{gain.accepted} cycles."
        )
    return tuple(texts)


NOT_CONCLUDED = (
    "A place from gain that is low to both sides: age, drugs and inattention do it too.",
    "A side while a peripheral nystagmus is present: its drift adds to one direction.",
)
CHOICES = (
    "Gain and phase of eye velocity between saccades; the gain of position would be near 1 in everyone.",
    "Every try stands by itself; the best of two is not picked.",
)

PURSUIT = Procedure(
    key="pursuit",
    title="Smooth pursuit",
    purpose="Shows how well the eye follows a slow target.",
    preparation=("After calibration. Repeat where the patient was inattentive, and say so.",),
    contraindications=(),
    stop_signs=ALWAYS_STOP,
    steps=PURSUIT_STEPS,
    analyse=analyse,
)
