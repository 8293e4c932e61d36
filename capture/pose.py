"""How the patient lies and looks, as the technician made it: a simulated patient must be told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

from capture.samples import Eye


@dataclass(frozen=True, slots=True)
class Pose:
    """What holds from the moment it is told until the next one."""

    position: str = ""  # key of the step whose position was reached ("right ear down"); empty: on the way
    light: Literal["light", "dark", "fixation"] = "light"
    looks_at_deg: tuple[float, float] = (0.0, 0.0)  # horizontal, vertical; where the patient is asked to look
    covered: Eye | None = None  # by a hand


@runtime_checkable
class Posable(Protocol):
    """A source whose patient answers to poses."""

    def pose(self, pose: Pose, now_s: float) -> None:
        """Take a pose from `now_s` on, on the clock of the frames' times; from any thread, never waits.

        Both eyes' sources are told the same pose with the same time.
        """
        ...
