"""What happened during a recording, and when."""

from __future__ import annotations

from typing import Literal, NamedTuple

# reached, confirmed: the posture of a step is reached, the patient has said so (`text`: the step);
# sign: a caution or red flag that was on the screen. doubt: found in the samples of one eye when they were
# sealed, `text` begins with the eye: a slip of the goggles, a pupil of another size.
EventKind = Literal["step", "reached", "confirmed", "sign", "note", "doubt"]


class Event(NamedTuple):
    """A step of a test (`text` such as "dark", "light", "fixation") or a note. Times as in what holds it."""

    start_s: float
    end_s: float
    kind: EventKind
    text: str
