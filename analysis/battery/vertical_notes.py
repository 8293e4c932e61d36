"""How the settings of a line stand in a recording: as notes, one a setting, and the level of the screen.

    line from +20.0 to +2.3          a setting: where the line started, and where the patient left it, deg
    line from -15.0 to -1.0 practice
    screen level at +10.0: -0.8      the screen's vertical against gravity where it reads +10.0, deg
    head roll +1.0                   toward the right shoulder, deg

Positive: top of the line toward the patient's right.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.procedure import Window
from recordings.event import Event

NUMBER = r"([+-]?\d+(?:\.\d+)?)"
LINE = re.compile(rf"line from {NUMBER} to {NUMBER}( practice)?")
LEVEL = re.compile(rf"screen level at {NUMBER}: {NUMBER}")
ROLL = re.compile(rf"head roll {NUMBER}")
FORMS = ("line from +20.0 to +2.3", "screen level at +10.0: -0.8", "head roll +1.0")  # one of each


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of the line, as the screen reads it, deg."""

    started_deg: float
    reading_deg: float


def is_note(text: str) -> bool:
    """Whether a note has one of the forms above.

    >>> is_note("head roll +1.0"), is_note("patient is tired")
    (True, False)
    """
    return any(form.fullmatch(text.strip()) for form in (LINE, LEVEL, ROLL))


def settings_in(events: Sequence[Event], window: Window) -> tuple[list[Setting], int]:
    """Settings noted in a step, practice left out, and how many of practice there were."""
    found, practice = [], 0
    for event in sorted(events):
        inside = window.start_s <= event.start_s <= window.end_s
        if event.kind != "note" or not inside or not (match := LINE.fullmatch(event.text.strip())):
            continue
        setting = Setting(float(match[1]), float(match[2]))
        if match[3]:
            practice += 1
        elif setting.started_deg:
            found.append(setting)
    return found, practice


def level_in(events: Sequence[Event]) -> list[tuple[float, float]]:
    """Angles of the screen and its level there, in order; of an angle noted twice the last holds."""
    found = {
        float(match[1]): float(match[2])
        for event in sorted(events)
        if event.kind == "note" and (match := LEVEL.fullmatch(event.text.strip()))
    }
    return sorted(found.items())


def head_roll_in(events: Sequence[Event]) -> float | None:
    """The head's roll that was noted last; None where none was."""
    rolls = [
        float(match[1])
        for event in sorted(events)
        if event.kind == "note" and (match := ROLL.fullmatch(event.text.strip()))
    ]
    return rolls[-1] if rolls else None
