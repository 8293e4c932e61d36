"""Bedside facts that a doctor hears of at once: the list of clinical.md 21, line by line."""

from __future__ import annotations

import pytest

from analysis.bedside import YES, bedside_flags
from recordings.history import History


def test_nothing_stated_and_everything_denied_flag_nothing() -> None:
    assert bedside_flags(History()) == ()
    harmless = History(
        **dict.fromkeys(YES, "no"),  # type: ignore[arg-type]
        hearing="unchanged", stance="unsteady, stands alone", skew="none", head_impulse="abnormal left",
        course="continuous",
    )  # fmt: skip
    assert bedside_flags(harmless) == ()


@pytest.mark.parametrize(
    ("stated", "word"),
    [
        (History(double_vision="yes"), "Double vision"),
        (History(speech_or_swallowing="yes"), "speech"),
        (History(weak_or_numb="yes"), "numbness"),
        (History(clumsy_limbs="yes"), "Clumsy"),
        (History(drooping_lid_small_pupil="yes"), "small pupil"),
        (History(headache_or_neck_pain="yes"), "neck pain"),
        (History(fainting_or_chest_pain="yes"), "Fainting"),
        (History(fever_or_ear_discharge="yes"), "Fever"),
        (History(hearing="new loss left"), "hearing"),
        (History(stance="cannot sit or stand alone"), "without help"),
        (History(skew="right eye higher"), "right eye higher"),
        (History(head_impulse="normal", course="continuous"), "head impulse"),
    ],
)
def test_each_fact_of_the_list_is_one_sentence_and_no_diagnosis(stated: History, word: str) -> None:
    (flag,) = bedside_flags(stated)
    assert word in flag
    assert "stroke" not in flag


def test_a_normal_head_impulse_says_nothing_between_attacks() -> None:
    """clinical.md 19: it counts only while vertigo and nystagmus go on."""
    assert bedside_flags(History(head_impulse="normal", course="episodic")) == ()
