"""Which codes are slips of others."""

from __future__ import annotations

import pytest

from ui.visit.similar_codes import similar_codes


@pytest.mark.parametrize(
    "other", ["HL-0070", "hl-0007", "HL0007", "HL-007", "HL-00007", "HL-OOO7", "LH-0007", "HL 0007"]
)
def test_one_slip_is_seen(other: str) -> None:
    assert similar_codes("HL-0007", [other, "HL-0555"]) == (other,)


@pytest.mark.parametrize("other", ["HL-0008", "HL-0017", "HL-7000", "AB-0007", "HL-07", "7"])
def test_other_patients_are_no_slip(other: str) -> None:
    assert similar_codes("HL-0007", [other]) == ()


def test_a_code_that_is_known_is_no_slip_of_another() -> None:
    assert similar_codes("HL-0007", ["HL-0007", "HL-0070"]) == ()
