"""The course of a nystagmus that a stimulus provokes: when it begins, ends, fades, comes back reversed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.battery.stepwise import Measured
from analysis.battery.stimulus_findings import of_estimate
from analysis.eye_window import EyeWindow, why_unusable
from analysis.finding import Finding
from analysis.nystagmus import sure_direction
from analysis.positional import time_constant
from analysis.positional_peak import peak_velocity
from analysis.positional_runs import CourseSettings, Run, find_runs
from analysis.spans import velocity_in
from capture.samples import AXES, Eye

TAU, BEGINS, ENDS, LASTS = "time_constant", "response_begins", "response_ends", "response_lasts"
SECOND, SECOND_BEGINS = "second_phase_peak", "second_phase_begins"
NAMES = {
    TAU: ("time constant of the decline", "s", "SPV(t) = SPV0 exp(-t / tau), baseline off, from the peak on"),
    SECOND: ("peak of the second phase", "deg/s", "largest smoothed velocity of the other direction"),
    SECOND_BEGINS: ("beginning of the second phase", "s", "its first of 3 beats - end of the stimulus"),
    BEGINS: (
        "beginning of the response",
        "s",
        "first of 3 beats beyond the baseline - start of the stimulus",
    ),
    ENDS: ("end of the response", "s", "last beat beyond the baseline - end of the stimulus"),
    LASTS: ("duration of the response", "s", "end - beginning"),
}
FADING = (TAU, SECOND, SECOND_BEGINS)
REST = "baseline"


@dataclass(frozen=True, slots=True)
class Followed:
    """What is asked of the horizontal nystagmus of some steps, the first with the stimulus unless `after`."""

    steps: tuple[str, ...]  # keys, one after the other
    keys: tuple[str, ...]
    after: bool = False  # the stimulus ends as the first step begins
    rest: str = REST  # key of the step before, whose velocity is taken off


def course_findings(measured: Measured, followed: Sequence[Followed], axis: int = 0) -> tuple[Finding, ...]:
    """Each measure of each eye; what there is not stands with its reason. Every try of a step by itself."""
    return tuple(
        f
        for one in followed
        for number in _tries(measured, one.steps[0])
        for eye in measured.marking
        for f in _of_eye(measured, one, number, eye, axis)
    )


def _tries(measured: Measured, key: str) -> list[str]:
    """Endings of the keys of a step that was led several times."""
    keys = [w.key for w in measured.windows]
    return [k.removeprefix(key) for k in keys if k == key or k.removeprefix(f"{key} ").isdigit()]


def _of_eye(measured: Measured, one: Followed, number: str, eye: Eye, axis: int) -> list[Finding]:
    parts = [measured.parts.get((f"{key}{number}", eye)) for key in one.steps]
    able = [part for part in parts if part is not None]
    rest = measured.parts.get((one.rest, eye))
    blanks = {key: _blank(key, f"{one.steps[0]}{number}", eye, measured, axis) for key in one.keys}
    if not able or rest is None:
        return [replace(f, reason="step not recorded") for f in blanks.values()]
    if why := why_unusable(able[0]) or why_unusable(rest):
        return [replace(f, reason=why) for f in blanks.values()]
    settings = CourseSettings()
    still = velocity_in(rest.trace, rest.accepted, axis, rest.window.used_from_s, rest.window.end_s)
    still_dps = 0.0 if still is None else still.value
    beats = [b for part in able for b in part.accepted]
    runs = find_runs(able[0].trace, beats, axis, still_dps, settings, _scatter(rest, axis))
    if not runs:
        return [replace(f, reason="no nystagmus beyond the baseline") for f in blanks.values()]
    return [_measured(f, key, able, runs, one.after, settings) for key, f in blanks.items()]


def _blank(key: str, step: str, eye: Eye, measured: Measured, axis: int) -> Finding:
    name, unit, formula = NAMES[key]
    return Finding(
        key, name, unit, reason="-", step=step, eye=eye, axis=AXES[axis], marks=measured.marking[eye].marks,
        formula=formula,
    )  # fmt: skip


def _scatter(rest: EyeWindow, axis: int) -> float:
    speeds = [b.slow_phase_velocity_dps[axis] for b in rest.accepted]
    return float(np.std(speeds)) if len(speeds) > 1 else 0.0


def _measured(
    blank: Finding,
    key: str,
    parts: Sequence[EyeWindow],
    runs: Sequence[Run],
    after: bool,
    settings: CourseSettings,
) -> Finding:
    main = max(runs, key=lambda run: float(np.abs(run.envelope_dps).max()))
    started_s, stopped_s = (
        parts[0].window.start_s,
        parts[0].window.start_s if after else parts[0].window.end_s,
    )
    later = [run for run in runs if run.sign != main.sign and run.start_s >= main.end_s]
    if key == TAU:
        return of_estimate(blank, time_constant(main, settings, settings.usual_wander_dps))
    if key in (SECOND, SECOND_BEGINS):
        if not later:
            return replace(blank, reason="no second phase")
        if key == SECOND_BEGINS:
            return replace(blank, value=later[0].start_s - stopped_s, reason="")
        peak = peak_velocity(later[0], settings, settings.usual_wander_dps)
        proven = parts[0].marking.direction_proven
        word = sure_direction(blank.axis or "", peak.interval) if proven else ""
        return replace(of_estimate(blank, peak), direction=word, present=True)
    if key != BEGINS and parts[-1].window.end_s - main.end_s < settings.run_gap_s:
        return replace(blank, reason="still running when the recording of it ended")
    times = {BEGINS: main.start_s - started_s, ENDS: main.end_s - stopped_s, LASTS: main.end_s - main.start_s}
    return replace(blank, value=times[key], reason="")
