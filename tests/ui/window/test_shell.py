"""Head, strip, footer and keys round the pages."""

from __future__ import annotations

import msgspec
import pytest
from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from tests.ui.window.conftest import Window
from ui.window import theme
from ui.window.run import survive
from ui.window.shell import STRIP_LINES, strip_text


def _labels(window: Window) -> list[str]:
    return [label.text() for label in window.shell.findChildren(QtWidgets.QLabel) if label.isVisible()]


@pytest.mark.parametrize("code", ["<b>x</b><img src=y>", "रोगी-७", "مريض-٧", "A" * 200])
def test_a_weird_patient_code_is_shown_letter_for_letter_and_bursts_nothing(
    window: Window, code: str
) -> None:
    window.visit.patient = msgspec.structs.replace(window.visit.patient, patient_code=code)
    window.wait(0.1)
    assert code in _labels(window)
    assert window.shell.minimumSizeHint().width() <= 1366


def test_every_label_is_plain_text(window: Window) -> None:
    for label in window.shell.findChildren(QtWidgets.QLabel):
        assert label.textFormat() == QtCore.Qt.TextFormat.PlainText


def test_training_is_marked_on_every_page(window: Window) -> None:
    for key in window.shell.pages:
        window.shell.show_page(key)
        assert "TRAINING  invented eye" in _labels(window)


def test_the_strip_shows_the_newest_and_how_many_more() -> None:
    lines = [f"line {n}" for n in range(STRIP_LINES + 3)]
    assert strip_text(lines).startswith("line 3\nline 4")
    assert "3 more" in strip_text(lines)
    assert strip_text(lines[:1]) == "line 0"


def test_another_key_acts_as_the_main_one(window: Window) -> None:
    window.shell.aliases["PgDown"] = "Space"
    window.key("PageDown")
    assert window.footer()[-1] == ("Esc", "Back")


@pytest.mark.parametrize(("apart_ms", "acts"), [(0, 1), (30, 1), (80, 2)])
def test_a_key_that_bounces_or_is_held_acts_once(window: Window, apart_ms: int, acts: int) -> None:
    """X11 tells a held key as a release and a press of the same moment, which Qt does not always notice."""
    kinds, at_ms = (QtCore.QEvent.Type.KeyPress, QtCore.QEvent.Type.KeyRelease), 5000
    for kind, after_ms in ((0, 0), (1, 660), (0, apart_ms), (1, 33)):
        at_ms += after_ms
        event = QtGui.QKeyEvent(kinds[kind], QtCore.Qt.Key.Key_F12, QtCore.Qt.KeyboardModifier.NoModifier)
        event.setTimestamp(at_ms)
        QtWidgets.QApplication.sendEvent(window.shell, event)
    assert window.shell.level == theme.LEVELS[acts]


def test_brightness_goes_round(window: Window) -> None:
    levels = [window.shell.level]
    for _ in range(3):
        window.key("F12")
        levels.append(window.shell.level)
    assert levels[0] == levels[-1] == 1.0
    assert len(set(levels)) == 3


def test_a_fault_is_told_once_and_the_window_lives(window: Window, caplog: pytest.LogCaptureFixture) -> None:
    hook = survive(window.visit)
    for _ in range(5):
        try:
            raise KeyError("HL-0007")
        except KeyError as error:
            hook(KeyError, error, error.__traceback__)
    assert "KeyError" in window.visit.strip["fault"]
    assert "HL-0007" not in window.visit.strip["fault"]
    assert len([r for r in caplog.records if r.getMessage() == "fault in the window"]) == 1


def test_a_window_without_a_test_is_gone_before_the_recorder_has_ended(window: Window) -> None:
    shown: list[bool] = []
    close = window.visit.close
    window.visit.close = lambda: (shown.append(window.shell.isVisible()), close())  # type: ignore
    window.shell.close()
    assert shown == [False]
    window.visit.close = lambda: None
