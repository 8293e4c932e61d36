"""What is typed about a patient: accepted as meant, or refused in words."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recordings.history import Medicine
from ui.visit.entering import (
    LONGEST_CODE,
    TRAINING_CODE,
    code_problem,
    hours_of,
    medicines_of,
    operator_problem,
    time_words,
    year_of,
)


@pytest.mark.parametrize("code", ["HL-0007", "  HL-0007 ", "<b>7</b>", "रोगी-७", "مريض-٧", "患者7", "a b 7"])
def test_a_pseudonym_in_any_script_is_taken(code: str) -> None:
    assert code_problem(code) == ""


@pytest.mark.parametrize(
    ("code", "word"),
    [
        ("", "is needed"),
        ("   ", "is needed"),
        ("7" * 300, "300 characters"),
        ("HL-7\u202e", "cannot be seen"),
        ("HL\n7", "cannot be seen"),
        ("HL\x007", "cannot be seen"),
        ("Somebody Somewhere", "no name"),
        (TRAINING_CODE, "no name"),
    ],
)
def test_what_is_no_pseudonym_is_refused_in_words(code: str, word: str) -> None:
    assert word in code_problem(code)


@given(st.text(max_size=60))
def test_what_is_taken_can_be_stored(code: str) -> None:
    from recordings.info import Circumstances

    if not code_problem(code):
        assert len(code.strip()) <= LONGEST_CODE
        Circumstances(patient_code=code.strip())  # raises for what no file should hold


def test_year_of_birth() -> None:
    assert year_of("", 2026) is None
    assert year_of(" 1958 ", 2026) == 1958
    for wrong in ("58", "1800", "2027", "19580", "१९५८", "-195", "1e3"):
        with pytest.raises(ValueError, match="year of birth"):
            year_of(wrong, 2026)


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        ("30 min", 0.5), ("6 h", 6), ("1,5 h", 1.5), ("1.5 hours ago", 1.5), ("3 d", 72), ("3 DAYS ago", 72),
        ("2 weeks", 336), ("5mo", 3652.5), ("2 y", 17532), ("", None),
    ],
)  # fmt: skip
def test_times(text: str, hours: float | None) -> None:
    assert hours_of(text) == (None if hours is None else pytest.approx(hours))


@pytest.mark.parametrize(
    "text", ["yesterday", "3", "d", "-3 d", "1,000 h", "1.5.2 h", "3 parsecs", "99999 d"]
)
def test_a_time_that_could_be_misread_is_refused(text: str) -> None:
    """1,000 may mean one or a thousand: it is asked again rather than guessed."""
    with pytest.raises(ValueError, match="is not a time"):
        hours_of(text)


def test_medicines_with_their_last_dose() -> None:
    assert medicines_of("betahistine 16 mg, 8 h ago; diazepam 2,5 mg, 1 d;  aspirin ;") == (
        Medicine("betahistine 16 mg", 8.0),
        Medicine("diazepam 2,5 mg", 24.0),
        Medicine("aspirin"),
    )
    assert medicines_of("") == ()
    assert medicines_of("valsartan, hydrochlorothiazide") == (Medicine("valsartan, hydrochlorothiazide"),)
    with pytest.raises(ValueError, match="1 to 80"):
        medicines_of("x" * 300)
    with pytest.raises(ValueError, match="At most 20"):
        medicines_of("a;" * 21)


def test_operator_and_words() -> None:
    assert operator_problem("") == operator_problem("op-3") == ""
    assert "printable" in operator_problem("x" * 41)
    assert [time_words(h) for h in (0.5, 6, 1.5, 72, 3652.5)] == [
        "30 min",
        "6 h",
        "1.5 h",
        "3 days",
        "5 months",
    ]
