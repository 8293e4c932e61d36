"""A visit by keyboard alone on invented patients, by a clock that runs as fast as the machine allows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import cast

import msgspec
import pytest
from pyqtgraph.Qt import QtCore
from pytestqt.qtbot import QtBot

from analysis.analyse import analyse_recording
from analysis.battery import procedure_named
from analysis.finding import Finding
from analysis.positional_findings import DURATION, LATENCY, PEAK
from analysis.procedure import Result
from capture.calibration import calibrate
from capture.samples import EYES, Eye, Target
from recordings.recorder_process import RecorderProcess
from recordings.sealed import open_recording
from tests.ui.window.responding import Answer, RespondingEyes
from tests.ui.window.stepped import SIZE_PX, SteppedGoggles
from ui.visit.run import Run
from ui.visit.visit import Visit
from ui.window.calibration_page import CalibrationPage
from ui.window.run import application, make_pages
from ui.window.shell import Shell

TICK_S = 0.1
MOVING_S = 2.5
POINTS_DEG = ((0, 0), (10, 0), (-10, 0), (0, 8), (0, -8), (10, 8), (-10, -8), (0, 0))

# Slow phases: a quick phase up with the upper pole toward the right ear answers slow (0, down, toward left).
RIGHT_POSTERIOR = {
    "right ear down": Answer((0.0, -40.0, -18.0), latency_s=3.0, rise_s=3.0, tau_s=4.0),
}
LEFT_POSTERIOR = {
    "left ear down": Answer((0.0, -30.0, 15.0), latency_s=4.0, rise_s=2.5, tau_s=5.0),
}
GEOTROPIC = {  # debris in the right horizontal canal; a right-beating nystagmus has a leftward slow phase
    "roll to the right": Answer((-110.0, 0.0, 0.0), latency_s=1.0, rise_s=4.0, tau_s=6.0),
    "roll to the left": Answer((45.0, 0.0, 0.0), latency_s=1.5, rise_s=4.0, tau_s=7.0),
}
APOGEOTROPIC = {
    "roll to the right": Answer((12.0, 0.0, 0.0), latency_s=0.0, rise_s=1.0, tau_s=math.inf),
    "roll to the left": Answer((-30.0, 0.0, 0.0), latency_s=0.0, rise_s=1.0, tau_s=math.inf),
}
PATIENTS: dict[str, Mapping[str, Answer]] = {
    "right posterior canal": RIGHT_POSTERIOR,
    "left posterior canal": LEFT_POSTERIOR,
    "right horizontal canal, geotropic": GEOTROPIC,
    "horizontal canal, apogeotropic": APOGEOTROPIC,
    "healthy": {},
}
QUICK_WORDS = (("left", "right"), ("down", "up"), ("upper_pole_left", "upper_pole_right"))


class Technician:
    """Does with keys alone what a technician does; turns the patient when the window says so."""

    def __init__(self, bot: QtBot, shell: Shell, visit: Visit, goggles: SteppedGoggles) -> None:
        self.bot, self.shell, self.visit, self.goggles = bot, shell, visit, goggles

    def key(self, name: str) -> None:
        self.bot.keyClick(self.shell, getattr(QtCore.Qt.Key, f"Key_{name}"))
        self.visit.orders.wait()
        self.shell.tick(self.goggles.clock.now_s())

    def wait(self, seconds: float) -> None:
        for _ in range(round(seconds / TICK_S)):
            self.goggles.step(TICK_S)
            self.shell.tick(self.goggles.clock.now_s())

    def calibrate(self) -> None:
        """Look at known targets; the calibration page's part."""
        targets = []
        for h, v in POINTS_DEG:
            self.goggles.eyes.look(h, v)
            start_s = self.goggles.clock.now_s()
            self.wait(1.6)
            targets.append(Target(start_s, self.goggles.clock.now_s(), h, v))
        self.goggles.eyes.look(0, 0)
        assert self.visit.eyes is not None
        profile = self.goggles.plan.profile
        self.visit.calibrate(
            {
                eye: calibrate(
                    targets,
                    live.kept.rows.copy(),
                    profile.view(eye),
                    profile.camera(eye).geometry,
                    SIZE_PX,
                )
                for eye, live in self.visit.eyes.eyes.items()
            }
        )
        assert all(c.grade == "good" and c.direction == "proven" for c in self.visit.calibrations.values())

    def calibrate_by_keys(self) -> None:
        """Nine crosses, one key each."""
        self.shell.show_page("calibration")
        page = self.shell.page
        assert isinstance(page, CalibrationPage)
        self.key("K")
        self.key("Space")
        while (doing := page.doing) is not None and doing.phase == "looking":
            self.goggles.eyes.look(*doing.plan.looks[doing.at])
            self.wait(0.6)
            self.key("Space")
            self.wait(doing.plan.hold_s + 0.5)
        self.goggles.eyes.look(0, 0)
        self.visit.measuring.wait()
        self.wait(0.1)
        self.key("Space")
        assert all(c.grade == "good" and c.direction == "proven" for c in self.visit.calibrations.values())

    def lead(self, key: str) -> Run:
        """Choose, answer, begin, and follow what the window says to the end."""
        procedure = procedure_named(key)
        while not self._action("Space").endswith(f": {procedure.title}"):
            self.key("Down")
        self.key("Space")
        while self._action("N") == "No":
            self.key("N")
        self.key("Space")
        while (run := self.visit.run) is not None:
            self._follow(run)
        run = self.visit.runs[-1]
        self.visit.measuring.wait()
        self.shell.tick(self.goggles.clock.now_s())
        return run

    def _follow(self, run: Run) -> None:
        step = run.led.step
        if run.shown.phase == "moving" and step is not None:
            self.goggles.eyes.reach("", self.goggles.clock.now_s())
            self.wait(MOVING_S)
            self.goggles.eyes.reach(step.key, self.goggles.clock.now_s())
            self.key("Space")
        elif run.shown.main:
            self.key("Space")
        elif step is not None and (run.shown.held_s or 0.0) > 1.2 * step.longest_s:
            self.key("N")  # nystagmus that never stops
        else:
            self.wait(TICK_S)

    def _action(self, key: str) -> str:
        return next((a.name for a in self.shell.page.key_actions() if a.key == key), "")


@contextmanager
def visiting(
    bot: QtBot, data: Path, answers: Mapping[str, Answer], seed: int, rate_hz: float, *, pictures: bool
) -> Iterator[Technician]:
    application()
    goggles = SteppedGoggles(RespondingEyes(answers, seed), seed, data, rate_hz, pictures)
    visit = Visit(goggles.clock, goggles.plan, lambda plan: cast(RecorderProcess, goggles.open(plan)))
    visit.training = "invented patient"
    visit.patient = msgspec.structs.replace(visit.patient, patient_code="HL-0007", training=True)
    shell = Shell(visit, make_pages(visit))
    bot.addWidget(shell)
    shell.resize(1366, 768)
    shell.show()
    shell.show_page("test")
    visit.open()
    visit.orders.wait()
    technician = Technician(bot, shell, visit, goggles)
    technician.wait(1.0)
    yield technician
    shell.close()


def _finding(result: Result, key: str, step: str, eye: Eye, axis: str) -> Finding:
    (found,) = [f for f in result.findings if (f.key, f.step, f.eye, f.axis) == (key, step, eye, axis)]
    return found


def assert_is_true(run: Run, answers: Mapping[str, Answer]) -> None:
    """Words exact on each axis, none extra; latency within 0.3 s, peak within 10 %, duration within 1 s."""
    assert run.result is not None
    (result,) = run.result.results
    for step in run.procedure.steps:
        if step.light != "dark" or not step.moves:
            continue
        answer = answers.get(step.key, Answer((0.0, 0.0, 0.0)))
        for eye in EYES:
            for axis, name in enumerate(("horizontal", "vertical", "torsional")):
                peak = _finding(result, PEAK, step.key, eye, name)
                true_dps = answer.peak_dps[axis]
                where = f"{step.key}, {eye} eye, {name}: {peak}"
                if true_dps == 0:
                    assert peak.value is None, where
                    assert not peak.direction, where
                    continue
                assert peak.direction == QUICK_WORDS[axis][int(true_dps < 0)], where
                assert peak.value == pytest.approx(true_dps, rel=0.10), where
                latency = _finding(result, LATENCY, step.key, eye, name)
                assert latency.value == pytest.approx(answer.latency_s, abs=0.3), f"{where} {latency}"
                duration = _finding(result, DURATION, step.key, eye, name)
                if math.isfinite(answer.tau_s):
                    true_s = answer.duration_s(axis)
                    assert duration.value == pytest.approx(true_s, abs=1.0), f"{where} {duration}"


def assert_file_says_the_same(run: Run, signs: list[str]) -> None:
    """What was measured in memory is what the sealed file gives; it holds these red flags and no other."""
    assert run.folder is not None
    assert run.result is not None
    with open_recording(run.folder) as recording:
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


@pytest.mark.long
@pytest.mark.usefixtures("sealed_in_this_process")
@pytest.mark.parametrize("name", PATIENTS)
def test_a_visit_by_keyboard_alone(qtbot: QtBot, tmp_path: Path, name: str) -> None:
    answers = PATIENTS[name]
    seed = list(PATIENTS).index(name) + 1
    with visiting(qtbot, tmp_path, answers, seed, 60.0, pictures=False) as technician:
        technician.calibrate_by_keys()
        runs = [
            technician.lead(key)
            for key in ("spontaneous", "dix_hallpike_right", "dix_hallpike_left", "supine_roll")
        ]
        assert [run.led.stopped_in for run in runs] == [""] * 4
        for run in runs:
            assert run.verdict is not None
            assert run.verdict.usable, f"{run.procedure.key}: {run.verdict}"
        for run in runs[1:]:
            assert_is_true(run, answers)
        (spontaneous,) = runs[0].result.results if runs[0].result else ()
        assert not any(f.present for f in spontaneous.findings if f.key == "slow_phase_velocity")
        assert technician.goggles.live.wait_sealed(60.0)
    for run in runs:
        assert_file_says_the_same(run, [])


@pytest.mark.usefixtures("sealed_in_this_process")
def test_one_test_by_keyboard_alone(qtbot: QtBot, tmp_path: Path) -> None:
    with visiting(qtbot, tmp_path, RIGHT_POSTERIOR, 7, 40.0, pictures=False) as technician:
        technician.calibrate()
        run = technician.lead("dix_hallpike_right")
        assert_is_true(run, RIGHT_POSTERIOR)
        assert technician.goggles.live.wait_sealed(60.0)
    assert_file_says_the_same(run, [])
    with pytest.raises(AssertionError):  # the check itself can fail
        assert_is_true(run, {"right ear down": LEFT_POSTERIOR["left ear down"]})
    with pytest.raises(AssertionError):
        assert_is_true(run, {})


@pytest.mark.long
@pytest.mark.usefixtures("sealed_in_this_process")
def test_a_purely_down_beating_nystagmus_in_a_position_is_told_while_it_lasts_and_stored(
    qtbot: QtBot, tmp_path: Path
) -> None:
    answers = {"right ear down": Answer((0.0, 12.0, 0.0), latency_s=0.5, rise_s=1.0, tau_s=10.0)}
    with visiting(qtbot, tmp_path, answers, 8, 40.0, pictures=False) as technician:
        technician.calibrate()
        run = technician.lead("dix_hallpike_right")
        assert technician.goggles.live.wait_sealed(60.0)
    assert_file_says_the_same(run, ["Purely vertical nystagmus (down-beating). Doctor now."])
