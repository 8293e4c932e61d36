"""Practice on an invented patient leaves nothing among the patients."""

from __future__ import annotations

import pytest
from pyqtgraph.Qt import QtWidgets

from analysis.battery import BATTERY
from capture.pose import Pose
from capture.simulation.patterns import PATTERNS
from recordings.info import Circumstances
from tests.ui.window.conftest import Window
from tests.ui.window.made_recorder import MadeRecorder
from ui.visit.calibrating import Calibrating, Plan
from ui.visit.entering import TRAINING_CODE
from ui.window.training_page import TrainingPage


@pytest.fixture
def page(window: Window) -> Window:
    """A patient is here, before goggles; another made-up recorder opens for each change of goggles."""
    visit = window.visit
    visit.training, visit.patient = "", Circumstances(patient_code="HL-0007", operator="op-3")
    visit.answers["stiff_neck"] = True
    training = window.shell.pages["training"]
    assert isinstance(training, TrainingPage)
    training._goggles = visit.plan
    window.shell.show_page("training")

    def open_another(plan: object) -> object:
        recorder = MadeRecorder()
        recorder.sender.frame = window.recorder.sender.frame
        window.recorder = recorder
        return recorder.as_process()

    visit._open_recorder = open_another  # type: ignore[assignment]
    return window


def labels(window: Window) -> list[str]:
    return [label.text() for label in window.shell.findChildren(QtWidgets.QLabel) if label.isVisible()]


def test_practice_puts_the_patient_away_and_is_marked_on_every_page(page: Window) -> None:
    goggles, first = page.visit.plan, page.recorder
    page.key("Down")
    page.key("Space")
    assert first.closed
    assert page.visit.patient == Circumstances(patient_code=TRAINING_CODE, operator="op-3", training=True)
    assert page.visit.answers == {}
    assert set(page.visit.plan.sources.values()) == {
        f"simulated:{eye}:{list(PATTERNS)[1]}" for eye in ("right", "left")
    }
    assert page.visit.plan.data_folder == goggles.data_folder
    for key in page.shell.pages:
        page.shell.show_page(key)
        page.shell.tick(page.clock.now_s())
        assert f"TRAINING  {list(PATTERNS)[1]}" in labels(page), key
    page.shell.show_page("training")
    page.key("G")
    assert page.visit.plan is goggles
    assert page.visit.training == ""
    assert page.visit.patient == Circumstances(operator="op-3")
    assert not any(
        text.startswith("TRAINING") and "GOES" not in text for text in labels(page) if text.strip()
    )


def test_a_recording_of_practice_says_so(page: Window) -> None:
    page.key("Space")
    page.shell.show_page("test")
    page.wait(0.5)
    page.key("Space")
    while page.footer()[0] == ("N", "No"):
        page.key("N")
    page.key("Space")
    (asked,) = page.recorder.started
    assert asked.circumstances.training
    assert asked.circumstances.patient_code == TRAINING_CODE


def test_the_invented_patient_is_told_of_each_position_and_light(page: Window) -> None:
    """Dix-Hallpike to the right: on the way nothing holds, the position counts from the key."""
    page.key("Space")
    (right,) = [procedure for procedure in BATTERY if procedure.key == "dix_hallpike_right"]
    run = page.visit.begin(right)
    page.wait(0.3)
    for step in right.steps:
        while run.test.step is step:
            if run.test.phase == "moving":
                assert page.recorder.posed[-1].position == ""
            run.test.press(page.clock.now_s())
            page.wait(0.2)
            if run.test.phase == "holding" and run.test.step is step:
                last = page.recorder.posed[-1]
                assert (last.position, last.light) == (step.key, step.light)
                run.test.end_step(page.clock.now_s())
                page.wait(0.2)
    assert "right ear down" in [pose.position for pose in page.recorder.posed]
    page.wait(0.5)
    assert page.recorder.posed[-1] == Pose()


def test_the_invented_patient_looks_at_the_cross_that_is_asked_for(page: Window) -> None:
    page.key("Space")
    calibrating = Calibrating(page.visit, Plan())
    page.wait(0.2)
    for look in calibrating.plan.looks:
        assert page.visit.looks_at_deg == look
        assert [Pose(), *page.recorder.posed][-1].looks_at_deg == look
        calibrating.leave_out()
        page.wait(0.2)


def test_a_real_patient_is_told_nothing(window: Window) -> None:
    window.visit.training = ""
    window.visit.looks_at_deg = (10.0, 0.0)
    window.wait(0.5)
    assert window.recorder.posed == []
