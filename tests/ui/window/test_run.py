from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import pytest
from pyqtgraph.Qt import QtCore, QtTest, QtWidgets
from pytestqt.qtbot import QtBot

from capture.clock import SystemClock
from recordings.commands import GogglesPlan
from recordings.recorder_process import RecorderProcess
from tests.ui.visit.sender import PROFILE
from tests.ui.window.made_recorder import MadeRecorder
from ui.messages import CommandError
from ui.visit.visit import Visit
from ui.visit_run import get_ready, only_window
from ui.window.note import Note
from ui.window.run import run, tell


def test_ctrl_c_in_the_terminal_closes_the_window_and_its_recorder(
    qtbot: QtBot, tmp_path, monkeypatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    recorder = MadeRecorder()
    visit = Visit(
        SystemClock(), GogglesPlan(PROFILE, {}, Path("nowhere")), lambda plan: recorder.as_process()
    )
    QtCore.QTimer.singleShot(500, lambda: os.kill(os.getpid(), signal.SIGINT))
    assert run(visit, visit.open) == 0
    assert recorder.closed


def test_closing_while_kernels_are_compiled_ends_that_and_opens_no_camera(
    qtbot: QtBot, tmp_path, monkeypatch
) -> None:
    """With an empty cache compiling takes half a minute."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    opened: list[GogglesPlan] = []

    def opener(plan: GogglesPlan) -> RecorderProcess:
        opened.append(plan)
        return MadeRecorder().as_process()

    visit = Visit(SystemClock(), GogglesPlan(PROFILE, {}, tmp_path), opener)
    QtCore.QTimer.singleShot(1500, lambda: os.kill(os.getpid(), signal.SIGINT))
    began_s = time.monotonic()
    assert run(visit, lambda: get_ready(visit)) == 0
    assert time.monotonic() - began_s < 6.0
    assert not opened


def test_a_second_start_is_told_in_a_window(qtbot: QtBot, tmp_path: Path, monkeypatch) -> None:
    told: list[str] = []
    monkeypatch.setattr("ui.window.run.tell", lambda state, words: told.append(words))
    with only_window(tmp_path), pytest.raises(CommandError), only_window(tmp_path):
        pass
    assert "open already" in told[0]
    with only_window(tmp_path):  # the first one has gone
        pass
    assert len(told) == 1


def test_a_note_stays_until_a_key(qtbot: QtBot) -> None:
    seen: list[list[str]] = []

    def read_and_close() -> None:
        note: QtWidgets.QWidget = next(
            one for one in QtWidgets.QApplication.topLevelWidgets() if isinstance(one, Note)
        )
        seen.append([label.text() for label in note.findChildren(QtWidgets.QLabel)])
        QtTest.QTest.keyClick(note, QtCore.Qt.Key.Key_Space)

    QtCore.QTimer.singleShot(300, read_and_close)
    tell("OPEN ALREADY", "<b>Go on</b> there.")
    assert seen == [["OPEN ALREADY", "<b>Go on</b> there.", "Any key closes this."]]
