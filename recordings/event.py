"""What happened during a recording, and when."""

from __future__ import annotations

from typing import Literal, NamedTuple

EventKind = Literal["step", "note"]


class Event(NamedTuple):
    """A step of a test (`text` such as "dark", "light", "fixation") or a note. Times as in what holds it."""

    start_s: float
    end_s: float
    kind: EventKind
    text: str
