"""Between two tests: what came of the last one, and which is next."""

from __future__ import annotations

from pyqtgraph.Qt import QtCore, QtWidgets

from analysis.battery import BATTERY
from analysis.procedure import Procedure
from ui.visit.visit import Visit
from ui.window.outcome import Outcome
from ui.window.page import restyle, text


class Choosing(QtWidgets.QWidget):
    """The last outcome at the left, the battery at the right with what was done."""

    def __init__(self, visit: Visit) -> None:
        super().__init__()
        self._visit, self._at = visit, 0
        self.outcome = Outcome()
        self._rows = [text("") for _ in BATTERY]
        inner = QtWidgets.QWidget()
        tests = QtWidgets.QVBoxLayout(inner)
        for row in self._rows:
            tests.addWidget(row)
        tests.addStretch(1)
        self._list = QtWidgets.QScrollArea()
        self._list.setWidgetResizable(True)
        self._list.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self._list.setHorizontalScrollBarPolicy(QtCore.Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._list.setWidget(inner)
        layout = QtWidgets.QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.outcome, 3)
        layout.addWidget(self._list, 2)

    @property
    def chosen(self) -> Procedure:
        """The test that the main key would begin."""
        return BATTERY[self._at]

    def go(self, by: int) -> None:
        """Choose another."""
        self._at = (self._at + by) % len(BATTERY)

    def choose(self, key: str) -> None:
        """Choose by key."""
        self._at = next(at for at, procedure in enumerate(BATTERY) if procedure.key == key)

    def after(self, procedure: Procedure) -> None:
        """Choose the one that usually follows."""
        self._at = min(BATTERY.index(procedure) + 1, len(BATTERY) - 1)

    def tick(self) -> None:
        """Follow what was done."""
        for at, (procedure, row) in enumerate(zip(BATTERY, self._rows, strict=True)):
            mark = "▶" if at == self._at else "   "
            row.setText(f"{mark}  {procedure.title}{self._done(procedure)}")
            restyle(row, "chosen" if at == self._at else "choice")
        self._list.ensureWidgetVisible(self._rows[self._at], 0, 60)
        self.outcome.show_runs(self._visit.runs, self._visit.calibrations)

    def _done(self, procedure: Procedure) -> str:
        tries = [
            run for run in self._visit.runs if run.procedure.key == procedure.key and run.state != "failed"
        ]
        if not tries:
            return ""
        usable = any(run.verdict is not None and run.verdict.usable for run in tries)
        if not usable and all(run.test.stopped_in for run in tries):
            return "   (stopped)"
        times = "done" if len(tries) == 1 else f"done {len(tries)} times"
        return f"   ({times}{', usable' if usable else ''})"
