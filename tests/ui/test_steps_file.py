"""Steps from a CSV: those of every test of the battery, with when a position was reached."""

from __future__ import annotations

from pathlib import Path

import pytest

from recordings.event import Event
from ui.messages import CommandError
from ui.steps_file import TimedStep, read_steps
from ui.time_checks import steps_within


def steps(tmp_path: Path, *lines: str) -> tuple[TimedStep, ...]:
    path = tmp_path / "steps.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_steps(path)


def test_a_positional_test_with_what_was_reached_and_confirmed(tmp_path: Path) -> None:
    lines = (
        "start_s,end_s,step,reached_s",
        "0,20,baseline,1.5",
        "20,80,left ear down,22.25",
        "80,110,sitting up,",
    )
    read = steps(tmp_path, *lines)
    assert [event for step in read for event in step.events(100.0)] == [
        Event(100.0, 120.0, "step", "baseline"),
        Event(101.5, 101.5, "confirmed", "baseline"),
        Event(120.0, 180.0, "step", "left ear down"),
        Event(122.25, 122.25, "reached", "left ear down"),
        Event(180.0, 210.0, "step", "sitting up"),
    ]


def test_an_irrigation_in_any_order_of_lines(tmp_path: Path) -> None:
    read = steps(
        tmp_path, "start_s,end_s,step", "15,45,right warm irrigation", "45,120,response", "0,15,baseline"
    )
    assert [step.asked.key for step in read] == ["baseline", "right warm irrigation", "response"]


def test_a_video_that_ends_before_the_position_was_reached(tmp_path: Path) -> None:
    read = steps(tmp_path, "start_s,end_s,step,reached_s", "0,20,baseline,1", "20,80,right ear down,40")
    assert [step.reached_s for step in steps_within(read, (0.0, 30.0))] == [1.0, None]


def test_steps_that_two_tests_call_the_same(tmp_path: Path) -> None:
    """After a gaze the centre is fixated; after a roll it is a position in the dark."""
    first = "start_s,end_s,step"
    (_, gaze) = steps(tmp_path, first, "0,20,gaze right", "20,40,centre after right")
    (_, roll) = steps(tmp_path, first, "0,20,roll to the right", "20,40,centre after right")
    assert (gaze.asked.light, gaze.asked.moves) == ("fixation", False)
    assert (roll.asked.light, roll.asked.moves) == ("dark", True)


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (("0,20,right ear up,",), "names the step 'right ear up'"),
        (("0,20,baseline,1", "20,40,light,"), "no test has the steps baseline, light together"),
        (("0,20,right ear down,21",), "reached_s lies outside the step"),
        (("0,20,light,5",), "the step light neither moves the patient nor asks for a word"),
        (("0,20,baseline",), "line 2 is not start_s,end_s,step"),
        (("0,20,baseline,soon",), "line 2 is not start_s,end_s,step"),
    ],
)
def test_what_cannot_be_is_named(tmp_path: Path, lines: tuple[str, ...], said: str) -> None:
    with pytest.raises(CommandError, match=said):
        steps(tmp_path, "start_s,end_s,step,reached_s", *lines)
