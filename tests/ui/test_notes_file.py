"""Settings of the subjective visual vertical, noted by hand, reach a recording made from files."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.battery.vertical_notes import FORMS
from recordings.event import Event
from ui.messages import CommandError
from ui.notes_file import read_notes
from ui.time_checks import check_notes


def notes(tmp_path: Path, *lines: str) -> tuple[Event, ...]:
    path = tmp_path / "notes.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    return read_notes(path)


def test_notes_in_order_of_time(tmp_path: Path) -> None:
    read = notes(
        tmp_path, "at_s,note", "31.5, line from -20.0 to +1.0", "", "30,line from +20.0 to +2.3 practice"
    )
    assert read == (
        Event(30.0, 30.0, "note", "line from +20.0 to +2.3 practice"),
        Event(31.5, 31.5, "note", "line from -20.0 to +1.0"),
    )


def test_every_form_that_is_named_as_an_example_is_one(tmp_path: Path) -> None:
    read = notes(tmp_path, "at_s,note", *(f"{k},{form}" for k, form in enumerate(FORMS)))
    assert [event.text for event in read] == list(FORMS)


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (("at,what", "1,head roll +1.0"), "line 1 does not name the columns"),
        (("at_s,note", "1,patient is Mrs Nobody"), "line 2 is not a note that a test reads"),
        (("at_s,note", "1,head roll"), "line 2 is not a note that a test reads"),
        (("at_s,note", "soon,head roll +1.0"), "line 2 is not at_s,note"),
        (("at_s,note", "1,head roll +1.0,x"), "line 2 is not at_s,note"),
        (("at_s,note", "nan,head roll +1.0"), "line 2: the time is not a number"),
        ((), "line 1 does not name the columns"),
    ],
)
def test_what_cannot_be_is_named(tmp_path: Path, lines: tuple[str, ...], said: str) -> None:
    with pytest.raises(CommandError, match=said):
        notes(tmp_path, *lines)


@pytest.mark.parametrize("span", [(0.0, 30.0), (32.0, 60.0)])
def test_a_note_outside_the_video_is_of_another_clock(span: tuple[float, float]) -> None:
    with pytest.raises(CommandError, match=r"31\.5 s lies outside the video"):
        check_notes([Event(31.5, 31.5, "note", FORMS[0])], span)


def test_notes_within_it_or_beside_a_video_of_unknown_length_are_kept() -> None:
    note = Event(31.5, 31.5, "note", FORMS[0])
    check_notes([note], (0.0, 31.5))
    check_notes([note], None)
