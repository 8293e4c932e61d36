"""What is asked before a test, and what a yes does."""

from __future__ import annotations

from analysis.battery import BATTERY, procedure_named
from ui.visit.questions import asked, in_words

RIGHT = procedure_named("dix_hallpike_right")


def _all_no() -> dict[str, bool]:
    return {q.key: False for q in RIGHT.questions}


def test_every_question_is_asked_before_the_test_may_start() -> None:
    answers: dict[str, bool] = {}
    for question in RIGHT.questions:
        stands = asked(RIGHT, answers, {}, procedure_named)
        assert stands.next == question
        assert not stands.may_start
        answers[question.key] = False
    assert asked(RIGHT, answers, {}, procedure_named).may_start


def test_an_answer_holds_for_the_other_side() -> None:
    left = procedure_named("dix_hallpike_left")
    assert asked(left, _all_no(), {}, procedure_named).may_start


def test_a_stiff_neck_proposes_side_lying_and_the_roll_of_the_whole_body() -> None:
    stands = asked(RIGHT, _all_no() | {"stiff_neck": True}, {}, procedure_named)
    assert not stands.may_start
    assert set(stands.instead) == {"side_lying_right", "side_lying_left", "supine_roll_whole_body"}


def test_what_another_yes_speaks_against_is_not_proposed() -> None:
    yes = {"stiff_neck": True, "unstable_neck": True}
    stands = asked(RIGHT, _all_no() | yes, {}, procedure_named)
    assert stands.instead == ("supine_roll_whole_body",)


def test_a_yes_without_another_test_needs_a_doctor_whose_words_are_stored() -> None:
    answers = _all_no() | {"retina": True}
    assert asked(RIGHT, answers, {}, procedure_named).instead == ()
    decisions = {"retina": "DR-12 operation healed"}
    assert asked(RIGHT, answers, decisions, procedure_named).may_start
    words = in_words(RIGHT, answers, decisions)
    assert "asked retina: yes" in words
    assert "decided on retina: DR-12 operation healed" in words
    assert "asked stiff_neck: no" in words


def test_a_yes_never_lets_a_test_start_by_itself() -> None:
    for procedure in BATTERY:
        for question in procedure.questions:
            answers = {q.key: q == question for q in procedure.questions}
            assert not asked(procedure, answers, {}, procedure_named).may_start, question.key
