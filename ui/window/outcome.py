"""What came of a test: the verdict in words and the first results."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pyqtgraph.Qt import QtCore, QtWidgets

from analysis.eye_window import VELOCITY
from analysis.finding import Finding
from analysis.positional_findings import PEAK
from analysis.procedure import Result
from analysis.visit import summaries_of
from capture.calibration import Calibration
from capture.samples import Eye
from ui.visit.run import Run
from ui.window.page import restyle, text

# Columns that take more lines in a narrow window, and how they share its width.
WRAPPED = {0: 1, 3: 2}
WAITING = {"starting": "Starting.", "running": "", "ending": "Ending.", "measuring": "Measuring."}


class Outcome(QtWidgets.QWidget):
    """Shows one run; what it says is built anew only when the run has changed."""

    def __init__(self) -> None:
        super().__init__()
        self._shown: tuple[int, str] | None = None
        self._title, self._verdict, self._words = text("", "title"), text("", "instruction"), text("")
        self._table = QtWidgets.QGridLayout()
        self._table.setHorizontalSpacing(24)
        for column, share in WRAPPED.items():
            self._table.setColumnStretch(column, share)
        inner = QtWidgets.QWidget()
        column = QtWidgets.QVBoxLayout(inner)
        for widget in (self._title, self._verdict, self._words):
            column.addWidget(widget)
        column.addLayout(self._table)
        column.addStretch(1)
        self._area = QtWidgets.QScrollArea()
        self._area.setWidgetResizable(True)
        self._area.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self._area.setHorizontalScrollBarPolicy(QtCore.Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._area.setWidget(inner)
        layout = QtWidgets.QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self._area)

    def scroll_on(self) -> None:
        """The next part; from the end back to the beginning."""
        bar = self._area.verticalScrollBar()
        assert bar is not None
        bar.setValue(0 if bar.value() == bar.maximum() else bar.value() + bar.pageStep())

    def show_runs(self, runs: Sequence[Run], calibrations: Mapping[Eye, Calibration]) -> None:
        """The last one: the verdict, findings in words, numbers; and what it says together with others."""
        run = runs[-1] if runs else None
        now = (id(run), run.state if run is not None else "")
        if now == self._shown:
            return
        self._shown = now
        self._clear()
        if run is None:
            self._title.setText("No test yet")
            self._verdict.setText("")
            self._words.setText(calibration_words(calibrations))
            return
        self._title.setText(run.procedure.title)
        verdict = run.verdict
        self._verdict.setText(verdict.text if verdict else run.problem or WAITING.get(run.state, ""))
        restyle(self._verdict, "instruction good" if verdict and verdict.usable else "instruction attention")
        result = run.result.results[0] if run.result else None
        lines = [flag.text + " " + flag.action + "." for flag in result.red_flags] if result else []
        lines += [*result.conclusions, *result.fits] if result else []
        lines += verdict.remarks if verdict else ()
        lines += _together(runs)
        self._words.setText("\n".join(lines))
        if result is not None:
            self._fill(result)

    def _clear(self) -> None:
        while (item := self._table.takeAt(0)) is not None:
            if (widget := item.widget()) is not None:
                widget.deleteLater()

    def _fill(self, result: Result) -> None:
        for row, cells in enumerate(table(result)):
            for column, cell in enumerate(cells):
                label = text(cell, cells[1].split()[0] if column == 1 and cells[1] else "")
                label.setWordWrap(column in WRAPPED)
                self._table.addWidget(label, row, column)


def _together(runs: Sequence[Run]) -> list[str]:
    """What the tests of the visit say together, where the last one is part of it."""
    measured = [run.result for run in runs if run.result is not None]
    before = summaries_of(measured[:-1])
    return [
        line
        for whole in summaries_of(measured)
        if whole not in before
        for line in (f"{whole.title} so far:", *whole.conclusions, *whole.fits, *whole.cautions)
    ]


def table(result: Result) -> list[tuple[str, str, str, str]]:
    """Velocities and times of the nystagmus that is present: where, which eye, what, value with interval.

    Where a peak is known the median over the whole rise and decline is left to the report. Of a test that
    does not look for nystagmus everything that was measured.
    """
    peaked = {_place(f) for f in result.findings if f.key == PEAK and f.value is not None}
    there = {_place(f) for f in result.findings if f.present}
    looked_for = any(f.present is not None for f in result.findings)
    rows = []
    for finding in result.findings:
        if finding.key == VELOCITY and _place(finding) in peaked:
            continue
        first = _place(finding) in there and finding.unit in ("deg/s", "s")
        if finding.value is not None and finding.eye is not None and (first or not looked_for):
            what = " ".join(part for part in (finding.axis, finding.name) if part)
            rows.append((finding.step, f"{finding.eye} eye", what, number(finding)))
    return rows


def _place(finding: Finding) -> tuple[str, Eye | None, str | None]:
    return finding.step, finding.eye, finding.axis


def number(finding: Finding) -> str:
    """Such as "-8.2 deg/s (-8.6 to -7.8), uncalibrated"."""
    assert finding.value is not None
    value = f"{_decimal(finding.value)} {finding.unit}".strip()
    if finding.interval is not None:
        value += f" ({_decimal(finding.interval[0])} to {_decimal(finding.interval[1])})"
    return ", ".join((value, *finding.marks))


def _decimal(value: float) -> str:
    """With one decimal; what rounds to 0 has no sign."""
    return f"{round(value, 1) + 0.0:.1f}"


def calibration_words(calibrations: Mapping[Eye, Calibration]) -> str:
    """How the calibration stands, before the first test."""
    if not calibrations:
        return "Not calibrated: degrees would not be proven, and no direction would be named."
    return "\n".join(f"{eye.capitalize()} eye: calibration {c.grade}." for eye, c in calibrations.items())
