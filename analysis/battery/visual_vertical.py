"""The subjective visual vertical: in the dark, and on a background that turns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from analysis.battery.safety import ALWAYS_STOP
from analysis.battery.stepwise import StepSettings, measure_steps, settings_in_words, step_cautions
from analysis.battery.stimulus_findings import NOT_LED, Place, counted, of_estimate
from analysis.battery.stimulus_steps import (
    CLOCKWISE,
    COUNTER_CLOCKWISE,
    PHOTOSENSITIVE,
    STATIC_STEPS,
    TURNING_STEPS,
    VERTICAL_PREPARATION,
)
from analysis.battery.vertical_notes import head_roll_in, level_in, settings_in
from analysis.estimate import error_of, with_error
from analysis.finding import Finding
from analysis.procedure import Observed, Procedure, Result, Step, Window
from analysis.vertical_settings import VerticalEstimates, vertical_estimates
from analysis.visual_vertical import against_gravity, visual_dependence
from analysis.windows import step_of, step_windows

MEAN, ABSOLUTE, SPREAD, SIDE = (
    "vertical_mean",
    "vertical_mean_absolute",
    "vertical_spread",
    "start_side_effect",
)
MEDIAN, OUTLIERS, DEPENDENCE, LEFT = "vertical_median", "vertical_outliers", "visual_dependence", "tilt_left"
LARGEST_ROLL_DEG = 3.0  # clinical reference 18.8
NO_LEVEL = "level of the screen not recorded"
NAMES = {
    MEAN: (
        "mean setting",
        "mean of both sides' mean signed settings against gravity; positive: top to the right",
    ),
    ABSOLUTE: ("mean absolute deviation", "mean of both sides' mean sizes of the settings against gravity"),
    SPREAD: ("standard deviation of settings", "of single settings"),
    SIDE: ("effect of the start's side", "mean started from the right - mean started from the left"),
    MEDIAN: ("median setting", "median of the signed settings against gravity"),
}


def analyse(observed: Observed, *, key: str, title: str, steps: Sequence[Step]) -> Result:
    """Measure the settings that the recording holds as notes. Never raises for a poor recording."""
    settings = StepSettings()
    measured = measure_steps(observed, steps, settings)
    windows = step_windows(observed.recording, settings.windows, steps)
    conditions = {step.key: _condition(observed, windows, step) for step in steps}
    found = [f for step, condition in conditions.items() for f in _findings(step, condition)]
    if set(conditions) == {CLOCKWISE, COUNTER_CLOCKWISE}:
        found += _turning(conditions[CLOCKWISE], conditions[COUNTER_CLOCKWISE])
    return Result(
        procedure=key,
        title=title,
        windows=measured.windows,
        findings=tuple(found),
        conclusions=_words(found),
        not_concluded=NOT_CONCLUDED,
        cautions=(*step_cautions(observed, measured, settings), *_cautions(observed)),
        choices=("Signed and absolute means are different numbers; both stand.",),
        settings=settings_in_words(settings) | {"largest_head_roll_deg": LARGEST_ROLL_DEG},
    )


def _condition(
    observed: Observed, windows: Sequence[Window], step: Step
) -> tuple[VerticalEstimates | str, bool]:
    """What the settings of one step say, or why nothing; and whether they are held against gravity."""
    led = [w for w in windows if step_of(w, (step,)) is not None and not w.outside]
    if not led:
        return NOT_LED, False
    events = observed.recording.events
    roll = head_roll_in(events)
    if roll is not None and abs(roll) > LARGEST_ROLL_DEG:
        return f"head tilted by {abs(roll):g} deg (at most {LARGEST_ROLL_DEG:g})", False
    noted, _ = settings_in(events, led[-1])
    level = level_in(events)
    angles = [against_gravity(s.reading_deg, level) if level else s.reading_deg for s in noted]
    return vertical_estimates(angles, [s.started_deg for s in noted]), bool(level)


def _findings(step: str, condition: tuple[VerticalEstimates | str, bool]) -> list[Finding]:
    found, levelled = condition
    place = Place(step)
    blanks = {key: place.finding(key, name, "deg", "-", formula) for key, (name, formula) in NAMES.items()}
    outliers = place.finding(OUTLIERS, "settings further than 3 MAD from the median, kept", "times", "-")
    if isinstance(found, str):
        return [replace(f, reason=found) for f in (*blanks.values(), outliers)]
    of_gravity = {MEAN: found.mean, ABSOLUTE: found.mean_absolute}
    made = [of_estimate(blanks[key], e if levelled else NO_LEVEL) for key, e in of_gravity.items()]
    made.append(of_estimate(blanks[SPREAD], found.standard_deviation))
    made.append(of_estimate(blanks[SIDE], found.start_side_effect))
    made.append(of_estimate(blanks[MEDIAN], found.median if levelled else NO_LEVEL))
    made = [replace(f, accepted=found.settings, rejected=0) for f in made]
    return [*made, counted(outliers, found.outliers)]


def _turning(
    clockwise: tuple[VerticalEstimates | str, bool], counter: tuple[VerticalEstimates | str, bool]
) -> list[Finding]:
    """Visual dependence, which no level changes, and the tilt that is left, which it does."""
    place = Place("")
    depend = place.finding(DEPENDENCE, "visual dependence", "deg", "-", "(clockwise - counter-clockwise) / 2")
    left = place.finding(LEFT, "tilt that is left", "deg", "-", "(clockwise + counter-clockwise) / 2")
    (one, levelled), (other, _) = clockwise, counter
    if isinstance(one, str) or isinstance(other, str):
        missing = (CLOCKWISE, one) if isinstance(one, str) else (COUNTER_CLOCKWISE, other)
        return [replace(f, reason=f"{missing[0]}: {missing[1]}") for f in (depend, left)]
    error = math.hypot(error_of(one.mean.interval), error_of(other.mean.interval)) / 2
    values = visual_dependence(one.mean.value, other.mean.value)
    return [
        of_estimate(depend, with_error(values[0], error)),
        of_estimate(left, with_error(values[1], error) if levelled else NO_LEVEL),
    ]


def _words(found: Sequence[Finding]) -> tuple[str, ...]:
    texts = []
    for f in found:
        if f.key in (MEAN, ABSOLUTE, SIDE, DEPENDENCE, LEFT):
            value = f"not assessed ({f.reason})" if f.value is None else f"{f.value:+.1f} deg"
            value = value.lstrip("+") if f.key in (ABSOLUTE, DEPENDENCE) else value
            if f.key in (MEAN, LEFT) and f.value is not None and f.interval is not None:
                value += f", {_toward(f.interval)}"
            texts.append(f"{(f.step or 'rotating background').capitalize()}: {f.name} {value}.")
    return tuple(texts)


def _toward(interval: tuple[float, float]) -> str:
    """To which side the top of the line leans, where its 95 % interval tells."""
    low, high = interval
    if low <= 0 <= high:
        return "no tilt beyond its uncertainty"
    return f"top toward the patient's {'right' if low > 0 else 'left'}"


def _cautions(observed: Observed) -> tuple[str, ...]:
    events = observed.recording.events
    found = []
    if head_roll_in(events) is None:
        found.append("roll of the head not recorded: the vertical holds for an upright head only")
    if 0 < len(level_in(events)) < 5:
        found.append("level of the screen measured at fewer than five angles")
    return tuple(found)


NOT_CONCLUDED = (
    "A place or a side from the tilt alone: its size does not tell labyrinth from brainstem.",
    "No earlier loss from a vertical within limits: a tilt fades within weeks.",
    "A change from small differences between tests of one person.",
)


def _procedure(key: str, title: str, purpose: str, steps: tuple[Step, ...], turning: bool) -> Procedure:
    return Procedure(
        key=key,
        title=title,
        purpose=purpose,
        preparation=VERTICAL_PREPARATION,
        contraindications=("seizures from light",) if turning else (),
        stop_signs=(*ALWAYS_STOP, "Nausea.") if turning else ALWAYS_STOP,
        steps=steps,
        analyse=partial(analyse, key=key, title=title, steps=steps),
        questions=(PHOTOSENSITIVE,) if turning else (),
    )


VISUAL_VERTICAL = _procedure(
    "visual_vertical",
    "Subjective visual vertical",
    "Shows a tilt of what is seen as vertical: otoliths and their pathways.",
    STATIC_STEPS,
    turning=False,
)
VISUAL_VERTICAL_TURNING = _procedure(
    "visual_vertical_turning",
    "Subjective visual vertical with rotating background",
    "Shows how far what is seen moves the vertical.",
    TURNING_STEPS,
    turning=True,
)
