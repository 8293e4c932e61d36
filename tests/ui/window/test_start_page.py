"""Who is here, typed by keys alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import msgspec
import pytest
from pyqtgraph.Qt import QtWidgets

from capture.samples import EYES
from recordings.history import History, Medicine
from recordings.info import Circumstances
from tests.ui.window.conftest import Window
from tests.ui.window.made_recorder import MadeRecorder
from ui.visit.goggles import Goggles
from ui.visit.visit import Visit


@pytest.fixture
def page(window: Window) -> Window:
    """The start page before anybody is here, the code's field in focus."""
    window.visit.training, window.visit.patient = "", Circumstances()
    window.shell.show_page("start")
    return window


def write(window: Window, words: str) -> None:
    field = window.shell.focusWidget()
    assert isinstance(field, QtWidgets.QLineEdit)
    field.selectAll()
    window.bot.keyClicks(field, words) if words.isascii() else field.insert(words)
    window.shell.tick(window.clock.now_s())


def test_a_patient_is_entered_by_keys_alone(page: Window) -> None:
    for words in ("HL-0007", "1958", "op-3", "3 d", "betahistine 16 mg, 8 h ago; aspirin"):
        write(page, words)
        page.key("Down")
    page.key("Right")  # vertigo: continuous
    page.key("Down")
    page.key("H")  # an attack lasts hours
    page.key("Return")
    assert page.shell.page.key != "start"
    patient = page.visit.patient
    assert (patient.patient_code, patient.birth_year, patient.operator) == ("HL-0007", 1958, "op-3")
    assert patient.history == History(
        course="continuous", attack_length="hours", hours_since_onset=72.0,
        medicines=(Medicine("betahistine 16 mg", 8.0), Medicine("aspirin")),
    )  # fmt: skip
    assert page.shell._code.text() == "HL-0007"


def test_all_but_the_code_may_be_left_out(page: Window) -> None:
    page.key("Return")
    assert page.shell.page.key == "start"
    assert "code is needed" in page.visit.strip["page"]
    write(page, "HL-0007")
    page.key("Return")
    assert page.shell.page.key != "start"
    assert page.visit.patient == Circumstances(patient_code="HL-0007")
    assert "page" not in page.visit.strip


@pytest.mark.parametrize(
    ("code", "word"), [("7" * 300, "300 char"), ("Some Body", "no name"), ("a\u202e7", "cannot be seen")]
)
def test_a_code_that_cannot_be_is_refused_in_words(page: Window, code: str, word: str) -> None:
    write(page, code)
    assert word in page.shell.page._said.text()  # type: ignore[attr-defined]
    page.key("F2")
    assert page.shell.page.key == "start"
    assert word in page.visit.strip["page"]
    assert page.visit.patient.patient_code == ""


@pytest.mark.parametrize("code", ["<b>7</b>", "रोगी-७", "a b 7"])
def test_a_strange_code_is_shown_letter_for_letter(page: Window, code: str) -> None:
    write(page, code)
    page.key("Return")
    assert page.visit.patient.patient_code == code
    assert page.shell._code.text() == code


def test_a_wrong_year_is_told_and_not_taken(page: Window) -> None:
    write(page, "HL-0007")
    page.key("Down")
    write(page, "58")
    page.key("Return")
    assert page.shell.page.key == "start"
    assert "four digits" in page.visit.strip["page"]


def test_what_was_typed_is_there_when_the_page_is_shown_again(page: Window) -> None:
    write(page, "HL-0007")
    page.key("Down")
    write(page, "1958")
    page.key("F2")  # to another page by its key stores as well
    page.shell.show_page("start")
    texts = [field.text() for field in page.shell.page.findChildren(QtWidgets.QLineEdit)]
    assert {"HL-0007", "1958"} <= set(texts)
    page.shell.show_page("test")
    assert page.visit.patient.birth_year == 1958


def test_a_fact_that_a_doctor_should_hear_of_stays_on_the_screen(page: Window) -> None:
    write(page, "HL-0007")
    field = page.shell.page._choices["double_vision"]  # type: ignore[attr-defined]
    field.setFocus()
    page.key("Y")
    page.key("Return")
    page.wait(3)
    assert page.visit.strip["bedside"] == "Doctor now: Double vision."
    page.shell.show_page("start")
    field.choose("no")
    page.key("Return")
    assert "bedside" not in page.visit.strip


def test_another_patient_begins_with_nothing_of_the_one_before(page: Window) -> None:
    visit: Visit = page.visit
    write(page, "HL-0007")
    page.key("Return")
    visit.answers["stiff_neck"] = False
    page.wait(1.0)
    assert visit.eyes is not None
    before = visit.eyes
    visit.calibrations = {eye: before.eyes[eye].calibration for eye in EYES}
    page.shell.show_page("start")
    page.key("Return")
    assert visit.answers
    assert visit.calibrations  # the same code: the visit goes on
    page.shell.show_page("start")
    write(page, "HL-0008")
    page.key("Return")
    assert (visit.answers, visit.calibrations, visit.runs) == ({}, {}, [])
    assert visit.eyes is not before


def test_no_test_begins_without_a_patient(page: Window) -> None:
    page.shell.show_page("test")
    page.key("Space")
    while page.footer()[0] == ("N", "No"):
        page.key("N")
    page.key("Space")
    assert page.visit.run is None
    assert "No patient yet" in page.visit.strip["run"]


def test_in_training_the_code_cannot_be_typed(window: Window) -> None:
    window.shell.show_page("start")
    window.bot.keyClicks(window.shell.focusWidget(), "1958")
    window.key("Return")
    assert window.visit.patient.patient_code == "HL-0007"  # as the fixture set it
    assert window.visit.patient.birth_year == 1958


def test_a_code_like_an_earlier_one_is_told_and_may_be_used(
    page: Window, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = frozenset({"HL-0070", "HL-0008", "HL-0123"})
    monkeypatch.setattr("ui.window.start_page.known_codes", lambda data: known)
    page.shell.show_page("test")
    page.shell.show_page("start")
    page.settle()
    write(page, "HL-0007")
    told = "HL-0007 is new, and similar to HL-0070: is it the same patient? Check the code."
    assert page.shell.page._said.text() == told  # type: ignore[attr-defined]
    page.key("Return")
    assert page.visit.patient.patient_code == "HL-0007"
    assert page.visit.strip["code"] == told
    page.shell.show_page("start")
    write(page, "HL-0070")
    page.key("Return")
    assert "code" not in page.visit.strip


def test_goggles_are_chosen_by_keys_and_remembered(
    page: Window, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ui.known_goggles.goggles_file", lambda: tmp_path / "goggles.json")
    usual = replace(page.visit.plan, data_folder=tmp_path)
    light = msgspec.structs.replace(usual.profile, name="new goggles", irradiance_w_m2=5.0)
    other = Goggles("new goggles", replace(usual, profile=light), tmp_path / "new.toml")
    page.visit.goggles = (Goggles("old goggles", page.visit.plan), other)
    page.visit._open_recorder = lambda plan: MadeRecorder().as_process()
    page.shell.show_page("test")
    page.shell.show_page("start")
    write(page, "HL-0007")
    for _ in range(3):
        page.key("Down")
    page.key("Right")
    assert page.visit.plan != other.plan  # not before the page is left
    page.key("Return")
    assert page.visit.plan == other.plan
    assert page.visit.patient.patient_code == "HL-0007"
    assert page.visit.recorder is not None
    assert str(tmp_path / "new.toml") in (tmp_path / "goggles.json").read_text()


def test_goggles_whose_profile_is_broken_are_not_used_and_the_reason_is_told(page: Window) -> None:
    page.visit.goggles = (Goggles("broken.toml", None, Path("broken.toml"), "broken.toml is not valid"),)
    before = page.visit.plan
    page.shell.show_page("test")
    page.shell.show_page("start")
    write(page, "HL-0007")
    page.key("Return")
    assert page.shell.page.key == "start"
    assert page.visit.strip["page"] == "broken.toml is not valid"
    assert page.visit.plan == before
