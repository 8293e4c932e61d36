"""Tests led in the window by keys alone, by a clock that only the test moves."""

from __future__ import annotations

import pytest
from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from analysis.battery import BATTERY, procedure_named
from recordings.event import Event
from tests.ui.window.conftest import Window
from tests.ui.window.made_recorder import MadeRecorder
from ui.window import traces


def _choose(window: Window, key: str) -> None:
    for _ in range([procedure.key for procedure in BATTERY].index(key)):
        window.key("Down")
    window.key("Space")


def _begin(window: Window, key: str) -> None:
    """Choose a test, answer its questions with no, begin."""
    _choose(window, key)
    while window.footer()[0] == ("N", "No"):
        window.key("N")
    assert window.footer()[0][1].startswith("Begin")
    window.key("Space")


def _told(window: Window, kind: str) -> list[str]:
    return [event.text for event in window.recorder.marked if event.kind == kind]


def test_spontaneous_nystagmus_by_one_key(window: Window) -> None:
    _begin(window, "spontaneous")
    for seconds, keys in ((21, 1), (0, 1), (31, 1), (16, 1)):  # light; nothing is seen; dark; target
        window.wait(seconds)
        for _ in range(keys):
            window.key("Space")
    assert _told(window, "step") == ["light", "dark", "fixation"]
    assert _told(window, "confirmed") == ["dark"]
    assert window.recorder.stopped == [""]
    (asked,) = window.recorder.started
    assert asked.circumstances.procedure == "spontaneous"
    assert asked.circumstances.patient_code == "HL-0007"
    run = window.visit.runs[0]
    assert run.state == "done"
    assert run.verdict is not None
    assert window.footer()[0][0] == "Space"  # the next test may begin at once


def test_the_main_key_is_always_named_and_does_nothing_while_a_position_is_held(window: Window) -> None:
    _begin(window, "dix_hallpike_right")
    assert window.footer()[0] == ("Space", "Patient said so")
    window.key("Space")
    assert window.footer()[0] == ("Esc", "STOP")
    window.key("Space")
    assert _told(window, "step") == []


def test_a_key_held_down_acts_once(window: Window) -> None:
    _begin(window, "dix_hallpike_right")
    for _ in range(30):
        repeated = QtGui.QKeyEvent(
            QtCore.QEvent.Type.KeyPress, QtCore.Qt.Key.Key_N, QtCore.Qt.KeyboardModifier.NoModifier, "n", True
        )
        QtWidgets.QApplication.sendEvent(window.shell, repeated)
    window.settle()
    assert _told(window, "step") == []
    window.key("N")
    assert _told(window, "step") == ["baseline"]


def test_nystagmus_holds_the_position(window: Window) -> None:
    _begin(window, "dix_hallpike_right")
    window.key("Space")
    window.wait(21)
    window.key("Space")
    window.key("Space")
    window.wait(40, px_per_s=60.0)
    run = window.visit.run
    assert run is not None
    assert run.shown.state == "HOLD: NYSTAGMUS GOES ON"
    window.key("Space")
    assert _told(window, "step") == ["baseline"]
    window.wait(12)  # until no beat is in sight any more, and QUIET_S after it
    assert run.shown.enough
    window.key("Space")
    assert _told(window, "step") == ["baseline", "right ear down"]


def test_stop_at_once_keeps_the_data_and_says_that_it_was_stopped(window: Window) -> None:
    _begin(window, "dix_hallpike_right")
    window.wait(3)
    window.key("Escape")
    assert window.recorder.stopped == ["stopped by the technician in: Baseline"]
    assert _told(window, "step") == ["baseline"]
    verdict = window.visit.runs[0].verdict
    assert verdict is not None
    assert not verdict.usable
    assert "stopped in Baseline" in verdict.text


def test_a_test_that_was_only_stopped_is_not_called_done(window: Window) -> None:
    _begin(window, "spontaneous")
    window.wait(3)
    window.key("Escape")
    rows = [row.text() for row in window.shell.page.findChildren(QtWidgets.QLabel) if "▶" in row.text()]
    assert rows == ["▶  Spontaneous nystagmus   (stopped)"]


def test_a_recorder_that_dies_in_mid_test_is_told_and_the_cameras_are_opened_again(window: Window) -> None:
    _begin(window, "spontaneous")
    window.wait(3)
    died, another = window.recorder, MadeRecorder()
    window.visit._open_recorder = lambda plan: another.as_process()
    died.alive = False
    died.refusal_to_stop = "It ended by itself."
    window.settle()
    assert "kept and is being sealed" in window.visit.strip["died"]
    assert died.closed
    window.recorder = another
    window.settle()
    run = window.visit.runs[0]
    assert run.state == "done"
    assert run.verdict is not None
    assert "stopped in Room light" in run.verdict.text
    assert window.visit.recorder is another.as_process()
    window.key("R")
    assert len(another.started) == 1
    assert "died" not in window.visit.strip
    window.key("Escape")


def test_a_recording_that_is_cut_off_is_told_with_its_reason_until_the_next_test(window: Window) -> None:
    _begin(window, "spontaneous")
    window.wait(3)
    window.recorder.state, window.recorder.problems = "broken off", ("the disk was nearly full",)
    window.wait(0.1)
    window.recorder.problems = ()
    window.wait(0.3)
    verdict = window.visit.runs[0].verdict
    assert verdict is not None
    assert "Room light: the disk was nearly full. What was recorded is kept" in verdict.text
    assert "the disk was nearly full. What was recorded is kept" in window.visit.strip["run"]
    window.key("R")
    assert "run" not in window.visit.strip
    window.key("Escape")


def test_a_test_that_could_not_begin_is_neither_done_nor_stopped(window: Window) -> None:
    window.recorder.refusal = "The disk has 3 MiB free. Nothing was recorded."
    _begin(window, "spontaneous")
    rows = [row.text() for row in window.shell.page.findChildren(QtWidgets.QLabel) if "▶" in row.text()]
    assert rows == ["▶  Spontaneous nystagmus"]


def test_what_is_said_of_a_silent_camera_holds_with_a_test_and_without(window: Window) -> None:
    window.recorder.signal = "silent"
    window.wait(0.1)
    assert window.visit.strip["left"] == "The camera of the left eye is silent: check its cable."
    _begin(window, "spontaneous")
    window.wait(0.1)
    assert window.visit.strip["left"].endswith("cable. The recording goes on with the other eye.")
    window.recorder.all_signals = "silent"
    window.wait(0.1)
    for eye in ("left", "right"):
        assert window.visit.strip[eye].endswith("No eye is seen now. What was recorded is safe.")
    window.key("Escape")


def test_closing_in_mid_test_is_told_while_it_takes_its_time(window: Window) -> None:
    _begin(window, "spontaneous")
    window.wait(1)
    shown: list[bool] = []
    strip, close = window.shell._strip, window.visit.close
    window.visit.close = lambda: (shown.append("is being sealed" in strip.text()), close())  # type: ignore
    window.shell.close()
    assert shown == [True]
    window.visit.close = lambda: None


def test_the_names_of_the_pages_stay_during_a_test(window: Window) -> None:
    _begin(window, "spontaneous")
    assert "F4 Tests" in window.shell._names.text()
    window.key("Escape")


def test_redoing_a_test_keeps_the_earlier_try(window: Window) -> None:
    _begin(window, "spontaneous")
    window.wait(3)
    window.key("Escape")
    window.key("R")
    window.wait(1)
    window.key("R")
    window.wait(1)
    window.key("Escape")
    assert len(window.recorder.started) == 2
    assert [run.procedure.key for run in window.visit.runs] == ["spontaneous", "spontaneous"]
    assert _told(window, "step") == ["light", "light", "light"]


def test_a_marker_is_typed_and_carries_the_time_of_its_key(window: Window) -> None:
    _begin(window, "spontaneous")
    window.wait(2)
    asked_s = window.clock.now_s()
    window.key("M")
    window.wait(1)
    field = window.shell.focusWidget()
    assert isinstance(field, QtWidgets.QLineEdit)
    window.bot.keyClicks(field, "n r b coughs")  # letters that are keys elsewhere
    window.key("Return")
    notes = [event for event in window.recorder.marked if event.text == "n r b coughs"]
    assert notes == [Event(asked_s, asked_s, "note", "n r b coughs")]
    assert _told(window, "step") == []


def test_the_page_cannot_be_left_during_a_test(window: Window) -> None:
    _begin(window, "spontaneous")
    window.key("F1")
    if window.shell.pages["test"] is not next(iter(window.shell.pages.values())):
        assert "Esc stops it" in window.visit.strip["page"]
    assert window.shell.page.key == "test"


def test_a_full_disk_is_told_before_the_test_in_the_strip(window: Window) -> None:
    window.recorder.refusal = "The disk has 3 MiB free. Nothing was recorded."
    _begin(window, "supine_roll")
    assert "3 MiB" in window.visit.strip["run"]
    assert window.visit.run is None
    window.recorder.refusal = ""
    window.key("R")
    assert window.visit.run is not None
    assert "run" not in window.visit.strip


def test_room_for_a_long_test_is_asked_for(window: Window) -> None:
    _begin(window, "supine_roll")
    (asked,) = window.recorder.started
    assert asked.seconds is not None
    assert asked.seconds >= sum(step.longest_s for step in procedure_named("supine_roll").steps)


def test_a_lost_camera_is_told_and_the_test_goes_on(window: Window) -> None:
    _begin(window, "spontaneous")
    window.recorder.signal = "silent"
    window.wait(1)
    assert "left eye" in window.visit.strip["left"]
    assert window.visit.run is not None
    window.recorder.signal = "good"
    window.wait(0.1)
    assert "left" not in window.visit.strip


def test_a_pupil_that_was_lost_is_a_remark(window: Window) -> None:
    _begin(window, "spontaneous")
    window.wait(3)
    window.wait(2, quality=0.0)
    window.key("Escape")
    assert set(window.visit.runs[0].lost) == {"right", "left"}


def test_closing_the_window_in_mid_test_ends_the_recording(window: Window) -> None:
    _begin(window, "spontaneous")
    window.wait(2)
    window.shell.close()
    assert window.recorder.stopped == ["stopped by the technician in: Room light"]
    assert window.recorder.closed


def test_what_was_asked_and_decided_is_stored_with_the_recording(window: Window) -> None:
    _choose(window, "dix_hallpike_right")
    window.key("Y")  # stiff neck
    while window.footer()[0] == ("N", "No"):
        window.key("N")
    assert any(name == "Instead: Side-lying test, right ear" for _, name in window.footer())
    window.key("D")
    field = window.shell.focusWidget()
    assert isinstance(field, QtWidgets.QLineEdit)
    window.bot.keyClicks(field, "DR-12 neck examined")
    window.key("Return")
    window.key("Space")
    stored = [event.text for event in window.recorder.started[0].events]
    assert "asked stiff_neck: yes" in stored
    assert "decided on stiff_neck: DR-12 neck examined" in stored


@pytest.mark.parametrize("size_px", [(1366, 768), (1280, 720)])
def test_the_words_below_the_curves_are_not_cut(
    window: Window, monkeypatch: pytest.MonkeyPatch, size_px: tuple[int, int]
) -> None:
    """1366x768, and 1920x1080 at 150 %: the longest that is said of a pupil's size, the longest time."""
    monkeypatch.setattr(traces, "size_words", lambda _: "pupil 3.4 mm smaller: zero may be off")
    window.shell.resize(*size_px)
    _begin(window, "dix_hallpike_right")
    (shown,) = window.shell.findChildren(traces.Traces)
    shown.longer()
    window.wait(1)
    shown.grab()
    assert shown.foot_left_px >= 0
