"""Where frames come from: one small contract for files, cameras and simulated patients.

A source is read by one thread, which owns it: `read` blocks until the next frame and returns None at the
end. Every time in a frame is of the host's clock; a lost frame shows as a jump of `Frame.number`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

from capture.samples import Frame

Times = Literal["measured", "nominal"]


@dataclass(frozen=True, slots=True)
class SourceInfo:
    """What is known about a source before its first frame."""

    name: str  # for people: a file's name or a camera's model; never a patient
    width_px: int
    height_px: int
    nominal_rate_hz: float  # as a header or driver says; no velocity rests on it where times are measured
    times: Times  # measured: each frame stamped on arrival; nominal: made up from a rate
    frame_count: int | None  # None where nobody knows (a camera)
    span_s: tuple[float, float] | None = None  # time of the first and the last frame, where known beforehand


class Source(Protocol):
    """A stream of grey pictures with times."""

    @property
    def info(self) -> SourceInfo:
        """What this source is."""
        ...

    def read(self) -> Frame | None:
        """Wait for the next frame; None at the end.

        Raises SourceError when the source cannot go on; the frames before that are good.
        """
        ...

    def close(self) -> None:
        """Let go of the file or device. May be called again."""
        ...
