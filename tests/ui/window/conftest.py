"""A window before a made-up recorder, whose time only the test moves."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import msgspec
import pytest
from pyqtgraph.Qt import QtCore
from pytestqt.qtbot import QtBot

from capture.clock import SteppedClock
from recordings.commands import GogglesPlan
from recordings.sealing import seal
from tests.ui.visit.sender import PROFILE
from tests.ui.window.made_recorder import MadeRecorder
from ui.visit.visit import Visit
from ui.window.run import application, make_pages
from ui.window.shell import Shell

TICK_S = 0.1
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")  # read when the first window is made


@dataclass
class Window:
    """The shell, its visit, its recorder; keys are struck as a person does."""

    bot: QtBot
    shell: Shell
    visit: Visit
    recorder: MadeRecorder
    clock: SteppedClock

    def key(self, name: str) -> None:
        """Strike a key by its name."""
        self.bot.keyClick(self.shell.focusWidget() or self.shell, getattr(QtCore.Qt.Key, f"Key_{name}"))
        self.settle()

    def settle(self) -> None:
        """Let everything that was asked be answered."""
        self.visit.orders.wait()
        self.visit.measuring.wait()
        self.shell.tick(self.clock.now_s())

    def wait(self, seconds: float, px_per_s: float = 0.0, *, quality: float = 0.9) -> None:
        """Let time pass, the eyes moving meanwhile."""
        for _ in range(round(seconds / TICK_S)):
            self.clock.step(TICK_S)
            behind_s = self.clock.now_s() - self.recorder.sender.now_s
            self.recorder.sender.send(behind_s, px_per_s, quality)
            self.shell.tick(self.clock.now_s())
        self.settle()

    def footer(self) -> list[tuple[str, str]]:
        """Keys and what they do now."""
        return [(action.key, action.name) for action in self.shell.page.key_actions()]


@pytest.fixture
def sealed_in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Saves the start of a process for each recording; sealing in a child has its own tests."""

    def seal_it(folder: Path, step: Callable[[str], None] | None = None, *, behind: bool = False) -> None:
        seal(folder, step or (lambda name: None))

    monkeypatch.setattr("recordings.one_recording.seal_in_child", seal_it)


@pytest.fixture
def window(qtbot: QtBot) -> Iterator[Window]:
    application()
    clock, recorder = SteppedClock(), MadeRecorder()
    visit = Visit(clock, GogglesPlan(PROFILE, {}, Path("nowhere")), lambda plan: recorder.as_process())
    visit.patient = msgspec.structs.replace(visit.patient, patient_code="HL-0007", training=True)
    visit.training = "invented eye"
    shell = Shell(visit, make_pages(visit))
    qtbot.addWidget(shell)
    shell.resize(1366, 768)
    shell.show()
    visit.open()
    visit.orders.wait()
    window = Window(qtbot, shell, visit, recorder, clock)
    shell.show_page("test")
    window.wait(0.5)
    yield window
    shell.close()
    assert recorder.closed
