"""What all live sources do with a picture that arrives: number it, notice copies, and keep the watch."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from capture.clock import Clock
from capture.errors import FormatRefused
from capture.frame_numbers import FrameNumbers
from capture.repeats import Repeats
from capture.samples import NAN, Frame


class Arrivals:
    """Turns the pictures of one live source into frames. `silence_s` may be asked from any thread."""

    def __init__(self, name: str, clock: Clock, rate_hz: float | None) -> None:
        self._name = name
        self._clock = clock
        self._numbers = FrameNumbers(NAN if rate_hz is None else rate_hz)
        self._repeats = Repeats()
        self._shape: tuple[int, ...] = ()
        self._new_picture_s = clock.now_s()

    def frame(
        self,
        image: NDArray[np.uint8],
        time_s: float,
        device_time_s: float = NAN,
        encoded: bytes | None = None,
        sequence: int | None = None,
        *,
        away: bool = False,
        more_waiting: bool = False,
        spoiled: int = 0,
    ) -> Frame:
        """The frame of a picture (height, width) that arrived at `time_s`; the rest: `FrameNumbers`.

        Raises FormatRefused for a picture of another size than those before.
        """
        if self._shape and image.shape != self._shape:
            raise FormatRefused(
                f"{self._name} now sends {image.shape[1]}x{image.shape[0]} pixels instead of "
                f"{self._shape[1]}x{self._shape[0]}. The frames before that are safe. "
                "Set its picture size and start again."
            )
        self._shape = image.shape
        number = self._numbers.next(
            time_s, device_time_s, sequence, away=away, more_waiting=more_waiting, spoiled=spoiled
        )
        repeated = self._repeats.is_repeat(image)
        if not repeated:
            self._new_picture_s = time_s
        return Frame(number, time_s, device_time_s, image, encoded, repeated)

    def silence_s(self) -> float:
        """Seconds since the last new picture arrived, or since the start."""
        return self._clock.now_s() - self._new_picture_s
