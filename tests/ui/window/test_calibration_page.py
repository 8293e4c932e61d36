"""A calibration by one key a cross, on invented eyes whose gaze is known."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
from pytestqt.qtbot import QtBot

from capture.calibration import degrees
from capture.samples import EYES
from capture.simulation.patterns import Pattern
from tests.ui.window.conftest import Window
from tests.ui.window.stepped import Where
from tests.ui.window.technician import Technician, visiting
from ui.visit.calibrating import HOLD_S, NYSTAGMUS_HOLD_S, Calibrating
from ui.window.calibration_page import CalibrationPage

BEATS = Pattern((-8.0, 0.0, 0.0), in_light=1.0)


@pytest.fixture
def healthy(qtbot: QtBot, tmp_path: Path) -> Iterator[Technician]:
    with visiting(qtbot, tmp_path, Pattern(), 3, 60.0, pictures=False) as technician:
        technician.shell.show_page("calibration")
        yield technician


def page_of(technician: Technician) -> CalibrationPage:
    page = technician.shell.pages["calibration"]
    assert isinstance(page, CalibrationPage)
    return page


def doing(technician: Technician) -> Calibrating:
    found = page_of(technician).doing
    assert found is not None
    return found


def look(technician: Technician) -> None:
    """The patient looks where the page asks; press, hold to the end."""
    going = doing(technician)
    technician.wait(0.7)
    technician.key("Space")
    technician.wait(going.plan.hold_s + 0.5)


def go_through(technician: Technician, where: Where = lambda h, v: (h, v)) -> None:
    technician.goggles.patient.where = where
    technician.key("Space")
    while doing(technician).phase == "looking":
        look(technician)
    technician.visit.measuring.wait()
    technician.wait(0.1)


def errors_deg(technician: Technician, points: Mapping[str, tuple[float, float]]) -> list[float]:
    """How far the degrees of both eyes are from where they really look, cross by cross."""
    found = []
    assert technician.visit.eyes is not None
    for h, v in points.values():
        technician.visit.looks_at_deg = (h, v)
        technician.wait(1.0)
        for live in technician.visit.eyes.eyes.values():
            rows = live.since(live.newest_s - 0.3)
            seen = degrees(live.calibration, rows["x_px"], rows["y_px"], rows["rotation_deg"])
            found += [abs(float(seen[:, 0].mean()) - h), abs(float(seen[:, 1].mean()) - v)]
    return found


def test_six_looks_calibrate_both_eyes_and_prove_the_direction(healthy: Technician) -> None:
    go_through(healthy)
    assert page_of(healthy)._state.text() == "CALIBRATED: GOOD"
    assert set(healthy.visit.calibrations) == set(EYES)
    for one in healthy.visit.calibrations.values():
        assert (one.grade, one.direction, len(one.targets)) == ("good", "proven", 6)
        for target in one.targets:
            assert target.end_s - target.start_s == pytest.approx(HOLD_S)
    places = {"between": (5.0, -4.0), "corner": (8.0, 7.0), "other corner": (-8.0, -7.0)}
    assert max(errors_deg(healthy, places)) < 0.5
    healthy.key("Space")
    assert healthy.shell.page.key == "test"


@pytest.mark.long
def test_the_next_recording_is_given_the_calibration(healthy: Technician) -> None:
    go_through(healthy)
    healthy.key("Space")
    given = healthy.visit.calibrations
    run = healthy.visit.begin(healthy.shell.pages["test"]._choosing.chosen)  # type: ignore[attr-defined]
    healthy.visit.orders.wait()
    healthy.wait(1.0)
    held = run._held
    healthy.key("Escape")
    healthy.visit.measuring.wait()
    assert run.result is not None
    assert held is not None
    assert held.calibrations == given


def test_one_cross_that_was_missed_is_redone_alone(healthy: Technician) -> None:
    """The eyes stay in the middle while the cross on the left is asked for."""
    go_through(healthy, lambda h, v: (0, 0) if h < 0 else (h, v))
    assert doing(healthy).phase == "done"
    before = doing(healthy)
    row = before.residual("right", 2)
    assert row is not None
    assert not row.used or before.grade != "good"
    healthy.key("Down")
    healthy.key("Down")
    assert ("R", "Again: left") in [(a.key, a.name) for a in healthy.shell.page.key_actions()]
    healthy.goggles.patient.where = lambda h, v: (h, v)
    healthy.key("R")
    assert doing(healthy).at == 2
    look(healthy)
    healthy.visit.measuring.wait()
    healthy.wait(0.1)
    assert doing(healthy).grade == "good"
    assert [len(one.targets) for one in healthy.visit.calibrations.values()] == [6, 6]


@pytest.mark.long
def test_eyes_that_never_moved_are_refused_with_the_reason_and_the_visit_goes_on(healthy: Technician) -> None:
    go_through(healthy, lambda h, v: (0, 0))
    page = page_of(healthy)
    assert page._state.text() == "REFUSED"
    assert "Refused" in page._more.text()
    keys = [(a.key, a.name) for a in page.key_actions()]
    assert keys[0] == ("Space", "All again")
    healthy.key("U")
    assert healthy.shell.page.key == "test"
    assert [one.calibrated for one in healthy.visit.calibrations.values()] == [False, False]


@pytest.mark.long
def test_a_patient_who_looks_to_the_other_side_is_told_as_a_mirrored_picture(healthy: Technician) -> None:
    go_through(healthy, lambda h, v: (-h, v))
    assert [one.direction for one in healthy.visit.calibrations.values()] == ["contradicted"] * 2
    assert "mirrored" in page_of(healthy)._more.text()


@pytest.mark.long
def test_crosses_that_cannot_be_looked_at_are_left_out(healthy: Technician) -> None:
    healthy.key("Space")
    while (going := doing(healthy)).phase == "looking":
        if going.plan.looks[going.at] == (0, -10):
            healthy.key("N")
        else:
            look(healthy)
    healthy.visit.measuring.wait()
    healthy.wait(0.1)
    made = healthy.visit.calibrations.values()
    assert [(one.calibrated, len(one.targets)) for one in made] == [(True, 5)] * 2


def test_the_page_stays_until_the_grade_and_esc_stops_it(healthy: Technician) -> None:
    healthy.key("Space")
    healthy.key("F1")
    assert healthy.shell.page.key == "calibration"
    assert "Esc stops it" in healthy.visit.strip["page"]
    healthy.key("Escape")
    assert page_of(healthy).doing is None
    assert healthy.visit.calibrations == {}


def test_a_second_press_does_not_end_a_hold(healthy: Technician) -> None:
    healthy.key("Space")
    healthy.wait(0.5)
    healthy.key("Space")
    healthy.wait(0.5)
    healthy.key("Space")
    assert doing(healthy).phase == "holding"
    assert doing(healthy).at == 0


@pytest.mark.long
def test_an_eye_that_beats_is_proposed_a_longer_hold_and_is_calibrated(qtbot: QtBot, tmp_path: Path) -> None:
    with visiting(qtbot, tmp_path, BEATS, 4, 60.0, pictures=False) as technician:
        technician.shell.show_page("calibration")
        technician.wait(8.0)
        assert page_of(technician)._plan.hold_s == NYSTAGMUS_HOLD_S
        go_through(technician)
        for one in technician.visit.calibrations.values():
            assert one.calibrated
            assert one.grade == "usable"  # its larger uncertainty is told (clinical 27.5)
            assert one.direction == "proven"
            assert {row.seen for row in one.targets} == {"foveation"}
        technician.goggles.patient.eyes.pattern = Pattern()  # it stops, so that where they look is known
        technician.wait(2.0)
        assert max(errors_deg(technician, {"side": (9.0, 0.0), "up": (0.0, 8.0)})) < 1.5


def test_words_and_crosses_for_a_lying_patient(window: Window) -> None:
    window.shell.show_page("calibration")
    window.key("C")
    window.key("K")
    window.key("A")
    page = window.shell.page
    assert isinstance(page, CalibrationPage)
    assert "on the ceiling above the lying patient, at 15 deg" in page._words.text()
    window.key("Space")
    going = page.doing
    assert going is not None
    assert len(going.plan.looks) == 10
    assert going.plan.looks[-1] == (0, 0)
    assert going.plan.looks[5] == (15, 10)
    assert "on the ceiling" in going.words


def test_a_calibration_that_is_old_is_told_and_never_in_the_way(window: Window) -> None:
    visit = window.visit
    assert visit.eyes is not None
    visit.calibrate({eye: live.calibration for eye, live in visit.eyes.eyes.items()})
    window.wait(1.0)
    assert "age" not in visit.strip
    window.clock.step(31 * 60.0)
    visit.tick()
    assert "31 minutes ago" in visit.strip["age"]
    assert visit.calibrations
