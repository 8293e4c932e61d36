"""What every procedure promises, which one a recording is measured as, and where its windows lie."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.analyse import analyse_recording
from analysis.battery import BATTERY, procedure_named, procedure_of
from analysis.battery.positional import SUPINE_ROLL
from analysis.windows import WindowSettings, step_of, step_windows
from recordings.event import Event
from tests.analysis.sawtooth import Made, Phase, make_recording

DARK = Phase("dark", 30, (-8.0, 0, 0))


def test_every_procedure_says_how_it_is_done() -> None:
    keys = [procedure.key for procedure in BATTERY]
    assert len(set(keys)) == len(keys)
    for procedure in BATTERY:
        assert procedure.title
        assert procedure.purpose
        assert procedure.preparation
        assert procedure.stop_signs
        assert len({step.key for step in procedure.steps}) == len(procedure.steps)
        for step in procedure.steps:
            assert 0 < step.shortest_s <= step.longest_s
            assert step.instruction
            assert step.action
            assert step.posture
            assert all(t.start_s >= 0 and t.end_s > t.start_s for t in step.targets)


@pytest.mark.parametrize("procedure", BATTERY, ids=lambda p: p.key)
def test_a_question_proposes_tests_that_exist_and_do_not_ask_it_again(procedure) -> None:
    for question in procedure.questions:
        assert question.text.endswith("?")
        assert question.source
        for key in question.instead:
            assert question.key not in {q.key for q in procedure_named(key).questions}


@pytest.mark.parametrize("side", ["right", "left"])
def test_a_positional_test_has_baseline_hold_and_sitting_up(side: str) -> None:
    for key in (f"dix_hallpike_{side}", f"side_lying_{side}"):
        baseline, hold, up = procedure_named(key).steps
        assert (baseline.shortest_s, hold.shortest_s, hold.longest_s, up.shortest_s) == (20, 30, 60, 30)
        assert hold.waits_for_nystagmus
        assert hold.moves
        assert hold.ear_down == side
        assert up.moves
        assert "Neck pain." in procedure_named(key).stop_signs
        assert all(step.light == "dark" for step in (baseline, hold, up))


def test_the_roll_goes_to_both_sides() -> None:
    assert [s.ear_down for s in SUPINE_ROLL.steps] == [None, "right", None, "left", None, None]
    whole = procedure_named("supine_roll_whole_body")
    assert "whole body" in whole.steps[1].action
    assert not {"stiff_neck", "unstable_neck", "neck_artery"} & {q.key for q in whole.questions}


def test_an_unknown_key_is_the_callers_mistake() -> None:
    with pytest.raises(ValueError, match="key must be one of"):
        procedure_named("no such test")


class TestWhichProcedure:
    def test_the_recording_says_so(self) -> None:
        assert procedure_of(make_recording(Made((DARK,), procedure="supine_roll"))).key == "supine_roll"

    def test_an_older_one_is_told_by_its_steps(self) -> None:
        hold = Phase("right ear down", 30)
        assert procedure_of(make_recording(Made((hold,)))).key == "dix_hallpike_right"
        assert procedure_of(make_recording(Made((DARK,)))).key == "spontaneous"
        assert procedure_of(make_recording(Made((hold, DARK)))).key == "spontaneous"
        assert procedure_of(make_recording(Made((DARK,), steps_stated=False))).key == "spontaneous"

    def test_one_of_a_later_battery_is_measured_step_by_step(self) -> None:
        result = analyse_recording(make_recording(Made((DARK,), procedure="not yet known"))).results[0]
        assert result.procedure == "free"
        assert [w.key for w in result.windows] == ["dark"]


class TestWindows:
    """3 s of targets come first."""

    made = make_recording(Made((Phase("baseline", 20), Phase("roll to the right", 30), Phase("x", 30))))

    def windows(self, *events: Event):
        recording = replace(self.made, events=(*self.made.events, *events))
        return step_windows(recording, WindowSettings(), SUPINE_ROLL.steps)

    def test_a_moving_step_is_measured_from_when_it_is_reached(self) -> None:
        _, roll, _ = self.windows(Event(25.5, 25.5, "reached", "roll to the right"))
        assert (roll.start_s, roll.used_from_s, roll.reached_s) == (23.0, 25.5, 25.5)

    def test_a_position_marked_twice_is_measured_from_the_last_mark(self) -> None:
        """The first came too early: what lies before the second is still the way there."""
        early, late = (Event(at_s, at_s, "reached", "roll to the right") for at_s in (25.5, 31.0))
        _, roll, _ = self.windows(early, late)
        assert (roll.used_from_s, roll.reached_s) == (31.0, 31.0)

    def test_a_mark_outside_its_step_or_of_another_step_is_not_believed(self) -> None:
        for event in (
            Event(5.0, 5.0, "reached", "roll to the right"),
            Event(25.5, 25.5, "reached", "baseline"),
            Event(25.5, 25.5, "confirmed", "roll to the right"),
        ):
            assert self.windows(event)[1].reached_s is None
            assert "not marked" in self.windows(event)[1].note

    def test_a_confirmation_and_the_change_of_light_both_hold(self) -> None:
        for told_s, from_s in ((6.0, 8.0), (12.0, 12.0)):  # 5 s dropped from 3.0 on, or the word
            baseline, *_ = self.windows(Event(told_s, told_s, "confirmed", "baseline"))
            assert (baseline.light, baseline.used_from_s, baseline.reached_s) == ("dark", from_s, None)

    def test_a_repeat_belongs_to_the_same_step(self) -> None:
        again = make_recording(Made((Phase("roll to the right", 30), Phase("roll to the right", 30))))
        first, second = step_windows(again, WindowSettings(), SUPINE_ROLL.steps)
        assert (first.key, second.key) == ("roll to the right", "roll to the right 2")
        assert step_of(second, SUPINE_ROLL.steps) is step_of(first, SUPINE_ROLL.steps)
        assert step_of(replace(second, key="elsewhere"), SUPINE_ROLL.steps) is None


def test_a_free_recording_is_cut_at_its_markers() -> None:
    phases = (Phase("free", 20, (-8.0, 0, 0)), Phase("free", 20, (5.0, 0, 0)))
    made = make_recording(Made(phases, procedure="free"))
    events = (Event(3.0, 43.0, "step", "free"), Event(23.0, 23.0, "note", "head left"))
    result = analyse_recording(replace(made, events=events)).results[0]
    assert [(w.key, w.start_s, w.end_s) for w in result.windows] == [("free", 3, 23), ("head left", 23, 43)]
    speeds = [
        f.value
        for f in result.findings
        if (f.key, f.eye, f.axis) == ("slow_phase_velocity", "right", "horizontal")
    ]
    assert speeds == pytest.approx([-8.0, 5.0], abs=0.1)
    assert result.fits == ()


def test_markers_of_one_text_are_told_apart() -> None:
    made = make_recording(Made((Phase("free", 60),), procedure="free"))
    notes = tuple(Event(at_s, at_s, "note", "head left") for at_s in (23.0, 33.0, 43.0))
    result = analyse_recording(replace(made, events=(*made.events, *notes))).results[0]
    assert [w.key for w in result.windows] == ["free", "head left", "head left 2", "head left 3"]
