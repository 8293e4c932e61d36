"""The guided test by a clock that only the test moves."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.battery import BATTERY, procedure_named
from analysis.procedure import Procedure, Result, Step
from recordings.event import Event
from ui.visit.guided_test import QUIET_S, GuidedTest


def _step(key: str, **more: object) -> Step:
    step = Step(key, key.title(), f"say {key}", "dark", "", "", (), 10.0, 20.0, "", action=f"do {key}")
    return replace(step, **more)


def _procedure(*steps: Step) -> Procedure:
    return Procedure("made_up", "Made up", "", (), (), (), steps, lambda observed: Result("", "", (), ()))


class Guided:
    """A test under way, with what it told the recorder."""

    def __init__(self, *steps: Step) -> None:
        self.events: list[Event] = []
        self.test = GuidedTest(_procedure(*steps), self.events.append)

    def told(self, kind: str) -> list[tuple[float, float, str]]:
        return [(e.start_s, e.end_s, e.text) for e in self.events if e.kind == kind]


def test_a_plain_step_counts_down_and_waits_for_the_key() -> None:
    guided = Guided(_step("light"), _step("gaze"))
    assert guided.test.tick(0.0, False).phase == "preparation"
    guided.test.begin(100.0)
    shown = guided.test.tick(104.0, False)
    assert (shown.phase, shown.state, shown.held_s, shown.main) == ("holding", "HOLD: 6 s MORE", 4.0, "")
    guided.test.press(104.0)  # too early: the main key does nothing
    assert guided.test.tick(105.0, False).number == 1
    shown = guided.test.tick(110.0, False)
    assert (shown.state, shown.enough, shown.main) == ("ENOUGH", True, "On: Gaze")
    assert guided.test.tick(400.0, False).number == 1  # no countdown goes on by itself
    guided.test.press(401.0)
    assert guided.test.tick(401.0, False).number == 2
    guided.test.end_step(402.0)
    assert guided.test.tick(402.0, False).state == "TEST DONE"
    assert guided.told("step") == [(100.0, 401.0, "light"), (401.0, 402.0, "gaze")]


def test_time_counts_from_reached_and_then_from_confirmed() -> None:
    guided = Guided(_step("down", moves=True, confirm="Nothing is seen."))
    guided.test.begin(0.0)
    shown = guided.test.tick(1.0, False)
    assert (shown.state, shown.action, shown.say, shown.held_s) == ("MOVE NOW", "do down", "say down", None)
    guided.test.press(3.0)
    assert guided.test.tick(3.0, False).state == "PATIENT SAYS: Nothing is seen."
    guided.test.press(5.0)
    assert guided.test.tick(7.0, False).held_s == 2.0
    assert guided.told("reached") == [(3.0, 3.0, "down")]
    assert guided.told("confirmed") == [(5.0, 5.0, "down")]


def test_what_is_announced_of_a_move_is_not_said_again_once_it_is_done() -> None:
    said = "I turn your head. I hold it. Keep your eyes open. Tell me when the spinning stops."
    guided = Guided(
        _step("down", moves=True, instruction=said), _step("still", instruction="I stay. Look ahead.")
    )
    guided.test.begin(0.0)
    assert guided.test.tick(1.0, False).say == said
    guided.test.press(3.0)
    assert guided.test.tick(3.0, False).say == "Keep your eyes open. Tell me when the spinning stops."
    guided.test.end_step(4.0)
    assert guided.test.tick(4.0, False).say == "I stay. Look ahead."  # nobody was moved


@pytest.mark.parametrize("stops_s", [12.0, 45.0, 300.0])
def test_no_countdown_ends_a_position_while_nystagmus_runs(stops_s: float) -> None:
    """Shortest 10 s, longest 20 s: enough when it stops, whenever that is after the shortest."""
    guided = Guided(_step("down", moves=True, waits_for_nystagmus=True))
    guided.test.begin(0.0)
    guided.test.press(0.0)
    for second in range(1, int(stops_s)):
        shown = guided.test.tick(float(second), running=second > 2)
        guided.test.press(float(second))
        assert not shown.enough, second
        assert guided.test.step is not None
    assert shown.state == "HOLD: NYSTAGMUS GOES ON"
    shown = guided.test.tick(stops_s, running=False)  # its end is only known once the eyes stay quiet
    assert (shown.state, shown.enough) == ("HOLD: IS IT OVER?", False)
    quiet_s = stops_s - 1.0 + QUIET_S
    assert guided.test.tick(quiet_s, running=False).enough
    guided.test.press(quiet_s)
    assert guided.told("step") == [(0.0, quiet_s, "down")]


def test_where_nothing_is_seen_a_waiting_position_is_held_for_longest() -> None:
    guided = Guided(_step("down", waits_for_nystagmus=True))
    guided.test.begin(0.0)
    assert not guided.test.tick(19.9, False).enough
    assert guided.test.tick(20.0, False).enough


def test_nystagmus_that_stops_early_is_held_for_shortest() -> None:
    guided = Guided(_step("down", waits_for_nystagmus=True))
    guided.test.begin(0.0)
    guided.test.tick(2.0, True)
    assert not guided.test.tick(9.9, False).enough
    assert guided.test.tick(10.0, False).enough


def test_redoing_a_step_keeps_the_earlier_try() -> None:
    guided = Guided(_step("base"), _step("down", moves=True))
    guided.test.begin(0.0)
    guided.test.end_step(10.0)
    guided.test.press(12.0)
    guided.test.redo_step(20.0)
    assert guided.test.tick(20.0, False).state == "MOVE NOW"
    guided.test.press(23.0)
    guided.test.back(30.0)
    assert guided.test.tick(30.0, False).number == 1
    guided.test.stop(31.0)
    assert guided.told("step") == [
        (0.0, 10.0, "base"), (10.0, 20.0, "down"), (20.0, 30.0, "down"), (30.0, 31.0, "base"),
    ]  # fmt: skip
    assert guided.told("reached") == [(12.0, 12.0, "down"), (23.0, 23.0, "down")]


@pytest.mark.parametrize("presses", range(4))
def test_stopping_at_any_moment_keeps_what_there_was(presses: int) -> None:
    guided = Guided(_step("down", moves=True, confirm="Nothing."), _step("up", moves=True))
    guided.test.begin(0.0)
    for k in range(presses):
        guided.test.press(20.0 * (k + 1))
    guided.test.stop(99.0)
    guided.test.press(100.0)
    guided.test.redo_step(101.0)
    shown = guided.test.tick(102.0, False)
    assert shown.phase == "done"
    assert shown.state.startswith("STOPPED IN: ")
    assert guided.told("step")[-1][1] == 99.0
    assert all(event.end_s <= 99.0 for event in guided.events)


def test_that_a_step_began_is_told_at_once() -> None:
    guided = Guided(_step("base"))
    guided.test.begin(7.0)
    assert guided.told("note") == [(7.0, 7.0, "step begins: base")]


@pytest.mark.parametrize("procedure", BATTERY, ids=lambda p: p.key)
def test_every_procedure_of_the_battery_is_led_to_its_end(procedure: Procedure) -> None:
    events: list[Event] = []
    guided = GuidedTest(procedure, events.append)
    guided.begin(0.0)
    now_s = 0.0
    while guided.step is not None:
        assert now_s < 3600.0, f"{procedure.key} does not end"
        now_s += 0.5
        shown = guided.tick(now_s, running=False)
        if shown.main:
            guided.press(now_s)
    keys = [step.key for step in procedure.steps]
    assert [e.text for e in events if e.kind == "step"] == keys
    assert [e.text for e in events if e.kind == "reached"] == [s.key for s in procedure.steps if s.moves]
    assert [e.text for e in events if e.kind == "confirmed"] == [s.key for s in procedure.steps if s.confirm]


def test_what_is_spoken_holds_both_parts() -> None:
    guided = GuidedTest(procedure_named("dix_hallpike_right"), lambda event: None)
    guided.begin(0.0)
    guided.end_step(1.0)
    spoken = guided.tick(1.0, False).spoken
    assert "45 degrees to the patient's right" in spoken
    assert "I turn your head to the right" in spoken
