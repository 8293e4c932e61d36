"""What the window says after a test: also what it makes of the caloric test so far."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from pyqtgraph.Qt import QtWidgets

from analysis.analyse import RecordingResult, analyse_recording
from analysis.battery import procedure_named
from analysis.eye_window import VELOCITY
from analysis.finding import Finding
from analysis.positional_findings import PEAK
from analysis.procedure import Result
from tests.analysis.caloric import Caloric, irrigated
from tests.analysis.sawtooth import Made, Phase, make_recording
from ui.window import theme
from ui.window.outcome import Outcome, number, table
from ui.window.run import application

SPEEDS = {"right_warm": -12.0, "left_warm": 30.0, "right_cool": 10.0, "left_cool": -28.0}


def run_of(key: str, result: RecordingResult) -> Any:
    return SimpleNamespace(
        procedure=procedure_named(key), result=result, state="done", verdict=None, problem=""
    )


@pytest.fixture(scope="module")
def runs() -> list[Any]:
    """RW 12, RC 10, LW 30, LC 28 deg/s: 100 (22 - 58) / 80 = 45 % right weakness."""
    made = []
    for key, speed in SPEEDS.items():
        recording = irrigated(Caloric(peak_dps=(speed, 0, 0)), f"caloric_{key}", rate_hz=50.0)
        made.append(run_of(f"caloric_{key}", analyse_recording(recording, 1960)))  # type: ignore[arg-type]
    return made


def shown(qtbot: Any, runs: list[Any]) -> str:
    outcome = Outcome()
    qtbot.addWidget(outcome)
    outcome.show_runs(runs, {})
    return outcome._words.text()


def test_the_caloric_test_as_a_whole_grows_with_its_irrigations(qtbot: Any, runs: list[Any]) -> None:
    said = shown(qtbot, runs)
    assert "Caloric test so far:" in said
    assert "unilateral weakness (canal paresis) 45 % right" in said
    early = shown(qtbot, runs[:2])
    assert "right cool: not recorded" in early
    assert "canal paresis" not in early


def test_another_test_does_not_repeat_it(qtbot: Any, runs: list[Any]) -> None:
    other = analyse_recording(make_recording(Made((Phase("dark", 20, (-8.0, 0, 0)),))), 1960)  # type: ignore[arg-type]
    assert "Caloric test" not in shown(qtbot, [*runs, run_of("spontaneous", other)])


def test_a_median_over_rise_and_decline_is_not_shown_beside_its_peak() -> None:
    """Nor is one taken away where no peak was found."""
    blank = Finding("", "", "deg/s", value=5.0, step="right ear down", eye="right", present=True)
    there = [
        replace(blank, key=VELOCITY, name="median", axis="horizontal"),
        replace(blank, key=PEAK, name="peak", axis="horizontal"),
        replace(blank, key=VELOCITY, name="median", axis="vertical"),
        replace(blank, key=PEAK, name="peak", axis="vertical", value=None, reason="no run"),
    ]
    result = Result(procedure="x", title="X", windows=(), findings=tuple(there))
    assert [row[2] for row in table(result)] == ["horizontal peak", "vertical median"]


def test_a_number_with_its_marks_is_not_cut_in_a_narrow_window(qtbot: Any, runs: list[Any]) -> None:
    application()
    outcome = Outcome()
    qtbot.addWidget(outcome)
    outcome.setStyleSheet(theme.style_sheet(theme.scale(720)))
    outcome.resize(750, 500)  # its part of 1280 px
    outcome.show()
    long = Finding(
        PEAK, "time constant of the decline", "deg/s", value=-146.0, interval=(-151.0, -141.0),
        axis="horizontal", step="Dix-Hallpike, right ear down", eye="right", present=True,
        marks=("uncalibrated", "direction not proven"),
    )  # fmt: skip
    result = replace(runs[0].result, results=(Result("x", "X", (), (long, replace(long, eye="left"))),))
    outcome.show_runs([run_of("dix_hallpike_right", result)], {})
    QtWidgets.QApplication.processEvents()
    inside, viewport = outcome._area.widget(), outcome._area.viewport()
    assert inside is not None
    assert viewport is not None
    assert inside.minimumSizeHint().width() <= viewport.width()


def test_what_rounds_to_nothing_has_no_sign() -> None:
    still = Finding("drift", "slow drift", "deg/s", -0.04)
    assert number(still) == "0.0 deg/s"
