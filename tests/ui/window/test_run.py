from __future__ import annotations

import os
import signal
from pathlib import Path

from pyqtgraph.Qt import QtCore
from pytestqt.qtbot import QtBot

from capture.clock import SystemClock
from recordings.commands import GogglesPlan
from tests.ui.visit.sender import PROFILE
from tests.ui.window.made_recorder import MadeRecorder
from ui.visit.visit import Visit
from ui.window.run import run


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
