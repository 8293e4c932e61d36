"""Eyes live, what to change at the goggles, and the two checks, by keys alone."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pytestqt.qtbot import QtBot

from capture.samples import EYES, Eye
from capture.simulation.patterns import Pattern
from recordings.cover_check import CoverVerdict
from recordings.errors import RecordingError
from recordings.recorder_process import RecorderProcess
from tests.ui.window.conftest import Window
from tests.ui.window.made_recorder import MadeRecorder
from tests.ui.window.technician import Technician, visiting
from ui.visit.checking import COVER_S, HAND_S, LOOKS, CoverCheck, DirectionCheck
from ui.window.cameras_page import CamerasPage


@pytest.fixture
def healthy(qtbot: QtBot, tmp_path: Path) -> Iterator[Technician]:
    with visiting(qtbot, tmp_path, Pattern(), 5, 60.0, pictures=False) as technician:
        technician.shell.show_page("cameras")
        yield technician


def look_three_times(technician: Technician, mirror: tuple[int, int] = (1, 1)) -> DirectionCheck:
    technician.key("Space")
    check = page_of(technician.shell).check
    assert isinstance(check, DirectionCheck)
    technician.goggles.patient.where = lambda h, v: (mirror[0] * h, mirror[1] * v)
    for _ in LOOKS:
        technician.wait(0.7)
        technician.key("Space")
        technician.wait(1.2)
    assert check.phase == "done"
    return check


def page_of(shell: Any) -> CamerasPage:
    page = shell.pages["cameras"]
    assert isinstance(page, CamerasPage)
    return page


def test_eyes_that_go_where_they_are_told_pass(healthy: Technician) -> None:
    check = look_three_times(healthy)
    assert check.passed
    assert page_of(healthy.shell)._state.text() == "PASSED"
    assert set(healthy.visit.checked) == {"direction right", "direction left"}
    assert not any(key.startswith("direction") for key in healthy.visit.strip)
    assert healthy.shell.page.key_actions()[0].name == "Go on: calibration"


@pytest.mark.parametrize(("mirror", "word"), [((-1, 1), "mirrored"), ((-1, -1), "turned by 180")])
def test_a_picture_that_is_turned_is_told_and_stays_told(
    healthy: Technician, mirror: tuple[int, int], word: str
) -> None:
    check = look_three_times(healthy, mirror)
    assert not check.passed
    for eye in EYES:
        assert word in healthy.visit.strip[f"direction {eye}"]
        assert "Every direction would be wrong" in healthy.visit.strip[f"direction {eye}"]
    healthy.key("D")
    healthy.key("Escape")
    assert any(key.startswith("direction") for key in healthy.visit.strip)  # a check given up changes nothing


def test_eyes_that_stay_prove_nothing(healthy: Technician) -> None:
    check = look_three_times(healthy, (0, 0))
    assert not check.passed
    assert {found.direction for found in check.found.values()} == {"unproven"}
    assert not any(key.startswith("direction") for key in healthy.visit.strip)


def test_what_was_checked_is_stored_with_the_next_recording(window: Window) -> None:
    window.visit.checked["direction right"] = "Right eye: direction proven."
    window.key("Space")
    while window.footer()[0] == ("N", "No"):
        window.key("N")
    window.key("Space")
    stored = [event.text for event in window.recorder.started[0].events]
    assert "Right eye: direction proven." in stored


class Judge:
    """Stands in for the recorder's judgement; it has its own tests (test_cover_check)."""

    def __init__(self, window: Window, verdict: CoverVerdict) -> None:
        self.asked: list[tuple[Eye, tuple[float, float], tuple[float, float]]] = []
        self._verdict = verdict
        window.recorder.judge_cover = self.judge  # type: ignore[attr-defined]

    def judge(self, eye: Eye, open_s: tuple[float, float], covered_s: tuple[float, float]) -> CoverVerdict:
        self.asked.append((eye, open_s, covered_s))
        return self._verdict


def cover(window: Window) -> CoverCheck:
    window.shell.show_page("cameras")
    began_s = window.clock.now_s()
    window.key("C")
    check = window.shell.page.check  # type: ignore[attr-defined]
    assert isinstance(check, CoverCheck)
    assert "Both eyes open" in check.words
    window.wait(COVER_S + 0.2)
    assert "RIGHT eye" in check.words
    window.wait(5.0)  # as long as it takes
    window.key("Space")
    assert window.clock.now_s() - began_s > 7
    window.wait(COVER_S + HAND_S + 0.3)
    return check


def test_covering_the_right_eye_is_judged_by_times_before_and_after_the_key(window: Window) -> None:
    judge = Judge(window, CoverVerdict("proven", "right", "The right eye was covered, and its pupil went."))
    check = cover(window)
    ((eye, open_s, covered_s),) = judge.asked
    assert eye == "right"
    assert open_s[1] - open_s[0] == pytest.approx(COVER_S)
    assert covered_s[1] - covered_s[0] == pytest.approx(COVER_S)
    assert covered_s[0] > open_s[1] + 5.0
    assert check.passed
    assert "cover" not in window.visit.strip
    assert "proven" in window.visit.checked["eye identity"]
    assert any("cover left" in name for _, name in window.footer())  # the other one next


def test_exchanged_eyes_stay_told(window: Window) -> None:
    Judge(window, CoverVerdict("contradicted", "left", "the cameras are exchanged"))
    assert not cover(window).passed
    assert window.visit.strip["cover"] == "the cameras are exchanged"


def test_a_check_can_be_stopped_and_leaving_the_page_ends_it(window: Window) -> None:
    window.shell.show_page("cameras")
    window.key("Space")
    window.key("Escape")
    assert window.shell.page.check is None  # type: ignore[attr-defined]
    window.key("C")
    window.shell.show_page("test")
    window.wait(10)
    assert "eye identity" not in window.visit.checked


def test_rate_and_lost_frames_are_shown(window: Window) -> None:
    window.shell.show_page("cameras")
    window.wait(1)
    assert "250.0 pictures/s, 0 lost" in window.shell.page._rates["right"].text()  # type: ignore[attr-defined]


def test_a_pupil_that_is_gone_is_told_under_its_eye(window: Window) -> None:
    window.shell.show_page("cameras")
    window.wait(3, quality=0.0)
    for eye in EYES:
        assert window.shell.page._hints[eye].text() != "Well seen."  # type: ignore[attr-defined]


def test_before_the_cameras_are_open_nothing_is_offered_that_needs_them(window: Window) -> None:
    """And cameras that did not open can be opened again, without a new start."""
    gate, recorder = threading.Event(), MadeRecorder()
    refusals = ["The camera right is used by another program."]

    def opener(plan: object) -> RecorderProcess:
        gate.wait(10.0)
        if refusals:
            raise RecordingError(refusals.pop())
        return recorder.as_process()

    window.visit._open_recorder = opener
    window.shell.show_page("cameras")
    window.visit.use(window.visit.plan, "invented eye")
    page = page_of(window.shell)
    window.shell.tick(0.0)
    assert (page._state.text(), page.key_actions()) == ("OPENING THE CAMERAS", ())
    gate.set()
    window.settle()
    assert page._state.text() == "NO CAMERAS"
    assert "another program" in window.visit.strip["recorder"]
    assert window.footer() == [("Space", "Open the cameras again")]
    window.key("Space")
    window.recorder = recorder
    assert page._state.text() == "GOGGLES ON, EYES OPEN"
    assert window.footer()[0] == ("Space", "Direction check")
