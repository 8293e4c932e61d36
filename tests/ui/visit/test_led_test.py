"""The led test by a clock that only the test moves."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.battery import BATTERY, procedure_named
from analysis.procedure import Procedure, Result, Step
from recordings.event import Event
from ui.visit.led_test import QUIET_S, LedTest


def _step(key: str, **more: object) -> Step:
    step = Step(key, key.title(), f"say {key}", "dark", "", "", (), 10.0, 20.0, "", action=f"do {key}")
    return replace(step, **more)


def _procedure(*steps: Step) -> Procedure:
    return Procedure("made_up", "Made up", "", (), (), (), steps, lambda observed: Result("", "", (), ()))


class Led:
    """A test under way, with what it told the recorder."""

    def __init__(self, *steps: Step) -> None:
        self.events: list[Event] = []
        self.test = LedTest(_procedure(*steps), self.events.append)

    def told(self, kind: str) -> list[tuple[float, float, str]]:
        return [(e.start_s, e.end_s, e.text) for e in self.events if e.kind == kind]


def test_a_plain_step_counts_down_and_waits_for_the_key() -> None:
    led = Led(_step("light"), _step("gaze"))
    assert led.test.tick(0.0, False).phase == "preparation"
    led.test.begin(100.0)
    shown = led.test.tick(104.0, False)
    assert (shown.phase, shown.state, shown.held_s, shown.main) == ("holding", "HOLD: 6 s MORE", 4.0, "")
    led.test.press(104.0)  # too early: the main key does nothing
    assert led.test.tick(105.0, False).number == 1
    shown = led.test.tick(110.0, False)
    assert (shown.state, shown.enough, shown.main) == ("ENOUGH", True, "On: Gaze")
    assert led.test.tick(400.0, False).number == 1  # no countdown goes on by itself
    led.test.press(401.0)
    assert led.test.tick(401.0, False).number == 2
    led.test.end_step(402.0)
    assert led.test.tick(402.0, False).state == "TEST DONE"
    assert led.told("step") == [(100.0, 401.0, "light"), (401.0, 402.0, "gaze")]


def test_time_counts_from_reached_and_then_from_confirmed() -> None:
    led = Led(_step("down", moves=True, confirm="Nothing is seen."))
    led.test.begin(0.0)
    shown = led.test.tick(1.0, False)
    assert (shown.state, shown.action, shown.say, shown.held_s) == ("MOVE NOW", "do down", "say down", None)
    led.test.press(3.0)
    assert led.test.tick(3.0, False).state == "PATIENT SAYS: Nothing is seen."
    led.test.press(5.0)
    assert led.test.tick(7.0, False).held_s == 2.0
    assert led.told("reached") == [(3.0, 3.0, "down")]
    assert led.told("confirmed") == [(5.0, 5.0, "down")]


def test_what_is_announced_of_a_move_is_not_said_again_once_it_is_done() -> None:
    said = "I turn your head. I hold it. Keep your eyes open. Tell me when the spinning stops."
    led = Led(_step("down", moves=True, instruction=said), _step("still", instruction="I stay. Look ahead."))
    led.test.begin(0.0)
    assert led.test.tick(1.0, False).say == said
    led.test.press(3.0)
    assert led.test.tick(3.0, False).say == "Keep your eyes open. Tell me when the spinning stops."
    led.test.end_step(4.0)
    assert led.test.tick(4.0, False).say == "I stay. Look ahead."  # nobody was moved


@pytest.mark.parametrize("stops_s", [12.0, 45.0, 300.0])
def test_no_countdown_ends_a_position_while_nystagmus_runs(stops_s: float) -> None:
    """Shortest 10 s, longest 20 s: enough when it stops, whenever that is after the shortest."""
    led = Led(_step("down", moves=True, waits_for_nystagmus=True))
    led.test.begin(0.0)
    led.test.press(0.0)
    for second in range(1, int(stops_s)):
        shown = led.test.tick(float(second), running=second > 2)
        led.test.press(float(second))
        assert not shown.enough, second
        assert led.test.step is not None
    assert shown.state == "HOLD: NYSTAGMUS GOES ON"
    shown = led.test.tick(stops_s, running=False)  # its end is only known once the eyes stay quiet
    assert (shown.state, shown.enough) == ("HOLD: IS IT OVER?", False)
    quiet_s = stops_s - 1.0 + QUIET_S
    assert led.test.tick(quiet_s, running=False).enough
    led.test.press(quiet_s)
    assert led.told("step") == [(0.0, quiet_s, "down")]


def test_where_nothing_is_seen_a_waiting_position_is_held_for_longest() -> None:
    led = Led(_step("down", waits_for_nystagmus=True))
    led.test.begin(0.0)
    assert not led.test.tick(19.9, False).enough
    assert led.test.tick(20.0, False).enough


def test_nystagmus_that_stops_early_is_held_for_shortest() -> None:
    led = Led(_step("down", waits_for_nystagmus=True))
    led.test.begin(0.0)
    led.test.tick(2.0, True)
    assert not led.test.tick(9.9, False).enough
    assert led.test.tick(10.0, False).enough


def test_redoing_a_step_keeps_the_earlier_try() -> None:
    led = Led(_step("base"), _step("down", moves=True))
    led.test.begin(0.0)
    led.test.end_step(10.0)
    led.test.press(12.0)
    led.test.redo_step(20.0)
    assert led.test.tick(20.0, False).state == "MOVE NOW"
    led.test.press(23.0)
    led.test.back(30.0)
    assert led.test.tick(30.0, False).number == 1
    led.test.stop(31.0)
    assert led.told("step") == [
        (0.0, 10.0, "base"), (10.0, 20.0, "down"), (20.0, 30.0, "down"), (30.0, 31.0, "base"),
    ]  # fmt: skip
    assert led.told("reached") == [(12.0, 12.0, "down"), (23.0, 23.0, "down")]


@pytest.mark.parametrize("presses", range(4))
def test_stopping_at_any_moment_keeps_what_there_was(presses: int) -> None:
    led = Led(_step("down", moves=True, confirm="Nothing."), _step("up", moves=True))
    led.test.begin(0.0)
    for k in range(presses):
        led.test.press(20.0 * (k + 1))
    led.test.stop(99.0)
    led.test.press(100.0)
    led.test.redo_step(101.0)
    shown = led.test.tick(102.0, False)
    assert shown.phase == "done"
    assert shown.state.startswith("STOPPED IN: ")
    assert led.told("step")[-1][1] == 99.0
    assert all(event.end_s <= 99.0 for event in led.events)


def test_that_a_step_began_is_told_at_once() -> None:
    led = Led(_step("base"))
    led.test.begin(7.0)
    assert led.told("note") == [(7.0, 7.0, "step begins: base")]


@pytest.mark.parametrize("procedure", BATTERY, ids=lambda p: p.key)
def test_every_procedure_of_the_battery_is_led_to_its_end(procedure: Procedure) -> None:
    events: list[Event] = []
    led = LedTest(procedure, events.append)
    led.begin(0.0)
    now_s = 0.0
    while led.step is not None:
        assert now_s < 3600.0, f"{procedure.key} does not end"
        now_s += 0.5
        shown = led.tick(now_s, running=False)
        if shown.main:
            led.press(now_s)
    keys = [step.key for step in procedure.steps]
    assert [e.text for e in events if e.kind == "step"] == keys
    assert [e.text for e in events if e.kind == "reached"] == [s.key for s in procedure.steps if s.moves]
    assert [e.text for e in events if e.kind == "confirmed"] == [s.key for s in procedure.steps if s.confirm]


def test_what_is_spoken_holds_both_parts() -> None:
    led = LedTest(procedure_named("dix_hallpike_right"), lambda event: None)
    led.begin(0.0)
    led.end_step(1.0)
    spoken = led.tick(1.0, False).spoken
    assert "45 degrees to the patient's right" in spoken
    assert "I turn your head to the right" in spoken
