"""What the threads of a camera take and hand on: trackers, onlookers, recipients of rows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from capture.samples import Eye, Frame, Tracked
from recordings.images_file import JPEG_QUALITY
from recordings.info import ImagesKept, Region
from recordings.journal import SampleRow
from recordings.journal_thread import Row


class EyeTracker(Protocol):
    """What a recorder needs of a tracker; one an eye, used by one thread."""

    def track(self, image: NDArray[np.uint8]) -> Tracked:
        """Find the pupil and the rotation of the iris in one picture, in its own pixels."""
        ...


class Onlooker(Protocol):
    """Who is shown what passes, beside the recording: shared memory, or nobody."""

    def picture(self, eyes: tuple[Eye, ...], frame: Frame) -> None:
        """A frame has arrived."""
        ...

    def sample(self, row: SampleRow, *, recorded: bool = False) -> None:
        """A frame was tracked; whether its sample goes into a recording."""
        ...


class Nobody:
    """Looks at nothing."""

    def picture(self, eyes: tuple[Eye, ...], frame: Frame) -> None:
        """Do nothing."""

    def sample(self, row: SampleRow, *, recorded: bool = False) -> None:
        """Do nothing."""


@dataclass(frozen=True, slots=True)
class Keeping:
    """What is kept of a camera's pictures."""

    images: ImagesKept = "jpeg"
    quality: int = JPEG_QUALITY
    crop_px: Region | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Recipient:
    """The recording that takes the rows of a camera."""

    put: Callable[[Row | None], None]  # takes rows, and one END from each thread
    broken_off: Callable[[str, Exception | None], None]  # is told why a stream ended early
    keeping: Keeping


class Handed(NamedTuple):
    """From the camera's thread to an eye's: a frame, the end of a recording, or (neither) the end of all."""

    frame: Frame | None
    recipient: Recipient | None
