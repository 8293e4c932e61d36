"""A visit by keyboard alone on invented patients, by a clock that runs as fast as the machine allows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import pytest
from pytestqt.qtbot import QtBot

from analysis.analyse import analyse_recording
from analysis.finding import Finding
from analysis.positional_findings import DURATION, LATENCY, PEAK
from analysis.procedure import Result, Step
from capture.samples import AXES, EYES, Eye
from capture.simulation.patterns import PATTERNS, Course, Pattern, posterior_canal
from capture.simulation.responding import TrueAnswer
from recordings.sealed import open_recording
from tests.ui.window.technician import visiting
from ui.visit.run import Run

# Beats of the practised patients vary by 15 %: then no single peak is within 10 % of the course that they
# scatter about. What is compared with the course is the patient whose beats follow it.
STEADY = 0.05
CROSS_TALK = 0.05  # of the fastest axis: a slower one may go unnamed, but may not be named wrongly
PATIENTS = (  # the names under which they can be practised on
    "right posterior canal",
    "left posterior canal",
    "right horizontal canal, geotropic",  # its peak is above 100 deg/s
    "left horizontal canal, apogeotropic",
    "healthy",
)
IN_LONG = "right horizontal canal, geotropic"  # the others before a release: each takes minutes
TESTS = ("spontaneous", "dix_hallpike_right", "dix_hallpike_left", "supine_roll")


def _finding(result: Result, key: str, step: str, eye: Eye, axis: str) -> Finding:
    (found,) = [f for f in result.findings if (f.key, f.step, f.eye, f.axis) == (key, step, eye, axis)]
    return found


def untrue(run: Run, answers: Sequence[TrueAnswer]) -> list[str]:
    """What of a test's findings is not as the patient's `answers` were.

    Words exact on each axis, none extra; latency within 0.3 s, peak within 10 %, duration within 1 s.
    """
    assert run.result is not None
    (result,) = run.result.results
    found, compared = [], 0
    with open_recording(_folder(run)) as recording:
        zero_s = recording.info.host_time_of_zero_s
        reached_s = {e.text: e.start_s + zero_s for e in recording.events if e.kind == "reached"}
    for step in run.procedure.steps:
        if step.light != "dark" or not step.moves:
            continue
        true = [a for a in answers if abs(a.reached_s - reached_s[step.key]) < 0.05]
        assert len(true) <= 1
        compared += 1
        for eye in EYES:
            for axis, name in enumerate(AXES):
                mistakes = _mistakes(result, step, eye, name, _on_axis(true, axis))
                found += [f"{run.procedure.key}, {step.key}, {eye} eye, {name}: {text}" for text in mistakes]
    assert compared
    return found


class OnAxis(NamedTuple):
    """What is true of one axis."""

    direction: str = ""  # of the quick phase
    peak_dps: float = 0.0
    latency_s: float = math.nan
    duration_s: float = math.nan
    slight: bool = False


def _on_axis(true: list[TrueAnswer], axis: int) -> OnAxis:
    if not true:
        return OnAxis()
    (one,) = true
    slight = abs(one.peak_dps[axis]) < CROSS_TALK * max(map(abs, one.peak_dps))
    return OnAxis(one.directions[axis], one.peak_dps[axis], one.latency_s, one.duration_s[axis], slight)


def _mistakes(result: Result, step: Step, eye: Eye, axis: str, true: OnAxis) -> list[str]:
    peak = _finding(result, PEAK, step.key, eye, axis)
    if not peak.direction and (true.slight or not true.direction):
        return [] if peak.value is None else [f"a peak of {peak.value}"]
    if peak.direction != true.direction:
        return [f"{peak.direction!r} instead of {true.direction!r} ({peak.value}, {peak.reason}; {true})"]
    if not step.waits_for_nystagmus:  # what comes after sitting up is small and short: words alone
        return []
    wrong = []
    for key, is_true, bar in (
        (PEAK, true.peak_dps, abs(0.1 * true.peak_dps)),
        (LATENCY, true.latency_s, 0.3),
        (DURATION, true.duration_s, 1.0),
    ):
        found = _finding(result, key, step.key, eye, axis)
        if math.isfinite(is_true) and (found.value is None or abs(found.value - is_true) > bar):
            wrong.append(f"{key} {found.value} instead of {is_true} {found.reason}")
    return wrong


def _folder(run: Run) -> Path:
    assert run.folder is not None
    return run.folder


def assert_file_says_the_same(run: Run, signs: list[str]) -> None:
    """What was measured in memory is what the sealed file gives; it holds these red flags and no other."""
    assert run.result is not None
    with open_recording(_folder(run)) as recording:
        assert recording.complete
        assert recording.info.procedure == run.procedure.key
        assert recording.info.training
        assert [e.text for e in recording.events if e.kind == "sign"] == signs
        sealed = analyse_recording(recording).results[0]
    for held, filed in zip(run.result.results[0].findings, sealed.findings, strict=True):
        assert (held.key, held.step, held.eye, held.axis) == (filed.key, filed.step, filed.eye, filed.axis)
        assert held.direction == filed.direction
        if held.value is not None and held.unit == "deg/s":
            assert filed.value == pytest.approx(held.value, abs=0.05, rel=0.02)


@pytest.mark.parametrize(
    "name",
    [pytest.param(n, marks=pytest.mark.long if n == IN_LONG else pytest.mark.release) for n in PATIENTS],
)
@pytest.mark.usefixtures("sealed_in_this_process")
@pytest.mark.timeout(1800)  # eyes are painted for ten minutes
def test_a_visit_by_keyboard_alone(qtbot: QtBot, tmp_path: Path, name: str) -> None:
    seed = PATIENTS.index(name) + 1
    pattern = replace(PATTERNS[name], variation=STEADY)
    with visiting(qtbot, tmp_path, pattern, seed, 30.0, pictures=True) as technician:
        technician.calibrate()
        runs = [technician.lead(key) for key in TESTS]
        assert technician.goggles.recorder.wait_sealed(60.0)
        log = technician.goggles.patient.log
    assert [run.test.stopped_in for run in runs] == [""] * 4
    for run in runs:
        assert run.verdict is not None
        assert run.verdict.usable, f"{run.procedure.key}: {run.verdict}"
    assert [text for run in runs[1:] for text in untrue(run, log)] == []
    assert runs[0].result is not None
    (spontaneous,) = runs[0].result.results
    assert not any(f.present for f in spontaneous.findings if f.key == "slow_phase_velocity")
    for run in runs:
        assert_file_says_the_same(run, [])


@pytest.mark.usefixtures("sealed_in_this_process")
def test_one_test_by_keyboard_alone(qtbot: QtBot, tmp_path: Path) -> None:
    pattern = replace(posterior_canal("right"), variation=STEADY)
    with visiting(qtbot, tmp_path, pattern, 7, 40.0, pictures=False) as technician:
        technician.calibrate()
        run = technician.lead("dix_hallpike_right")
        assert technician.goggles.recorder.wait_sealed(60.0)
        log = technician.goggles.patient.log
    assert untrue(run, log) == []
    assert_file_says_the_same(run, [])
    slower = [one._replace(peak_dps=tuple(0.8 * v for v in one.peak_dps)) for one in log]
    turned = [one._replace(directions=one.directions[::-1]) for one in log]
    for wrong in (slower, turned, []):  # the check itself can fail
        assert untrue(run, wrong)


@pytest.mark.long
@pytest.mark.usefixtures("sealed_in_this_process")
def test_a_purely_down_beating_nystagmus_in_a_position_is_told_while_it_lasts_and_stored(
    qtbot: QtBot, tmp_path: Path
) -> None:
    course = Course((0.0, 12.0, 0.0), latency_s=0.5, rise_s=1.0, tau_s=10.0)
    down = Pattern(provoked={"hanging right": (course,)})
    with visiting(qtbot, tmp_path, down, 8, 40.0, pictures=False) as technician:
        technician.calibrate()
        run = technician.lead("dix_hallpike_right")
        assert technician.goggles.recorder.wait_sealed(60.0)
    assert_file_says_the_same(run, ["Purely vertical nystagmus (down-beating). Doctor now."])
