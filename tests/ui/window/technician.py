"""A technician who leads a visit in the window by keys, before an invented patient."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec
from pyqtgraph.Qt import QtCore
from pytestqt.qtbot import QtBot

from analysis.battery import procedure_named
from capture.simulation.patterns import Pattern
from tests.ui.window.stepped import SteppedGoggles
from ui.visit.run import Run
from ui.visit.visit import Visit
from ui.window.calibration_page import CalibrationPage
from ui.window.run import application, make_pages
from ui.window.shell import Shell

TICK_S = 0.1
MOVING_S = 2.5


class Technician:
    """Does with keys alone what a technician does; the window tells the patient what is done."""

    def __init__(self, bot: QtBot, shell: Shell, visit: Visit, goggles: SteppedGoggles) -> None:
        self.bot, self.shell, self.visit, self.goggles = bot, shell, visit, goggles

    def key(self, name: str) -> None:
        self.bot.keyClick(self.shell, getattr(QtCore.Qt.Key, f"Key_{name}"))
        self.settle()

    def wait(self, seconds: float) -> None:
        for _ in range(round(seconds / TICK_S)):
            self.goggles.step(TICK_S)
            self.settle()

    def settle(self) -> None:
        """Let everything that was asked of the recorder be answered: time stands still meanwhile."""
        self.shell.tick(self.goggles.clock.now_s())
        self.visit.orders.wait()
        self.shell.tick(self.goggles.clock.now_s())

    def calibrate(self) -> None:
        """The cross of five points twice over, one key each."""
        self.shell.show_page("calibration")
        page = self.shell.page
        assert isinstance(page, CalibrationPage)
        self.key("K")
        self.key("Space")
        while (doing := page.doing) is not None and doing.phase == "looking":
            self.wait(0.8)
            self.key("Space")
            self.wait(doing.plan.hold_s + 0.5)
        self.visit.measuring.wait()
        self.wait(0.1)
        self.key("Space")
        grades = {(c.grade, c.direction) for c in self.visit.calibrations.values()}
        assert grades == {("good", "proven")}

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
        step = run.test.step
        if run.shown.phase == "moving":
            self.wait(MOVING_S)
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
    bot: QtBot, data: Path, pattern: Pattern, seed: int, rate_hz: float, *, pictures: bool
) -> Iterator[Technician]:
    application()
    goggles = SteppedGoggles(pattern, seed, data, rate_hz, pictures=pictures)
    visit = Visit(goggles.clock, goggles.plan, goggles.open)
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
