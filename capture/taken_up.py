"""What every camera does, whatever it hangs on: a first picture, then one after another, until it is closed.

A camera that is away is looked for again and again, and taken up where it comes back.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from capture.arrivals import Arrivals
from capture.clock import Clock
from capture.closing import Closing
from capture.errors import CameraBusy, CameraLost, CameraNotFound, FormatRefused, SourceError
from capture.live import RETRY_S
from capture.picture import ColourPictureError
from capture.samples import NAN, Frame

FIRST_PICTURE_S = 5.0  # a camera that is there but sends no picture for so long cannot be used
T = TypeVar("T")


class TakenUp(ABC):
    """Read by one thread; `silence_s` and `close` may be called from any.

    `spoiled` counts pictures that were cut off or could not be opened.
    """

    greets, check = (
        "opens",
        "Check its cable.",
    )  # what one without pictures does; what helps when it is silent

    def __init__(
        self, name: str, clock: Clock, rate_hz: float | None, give_up_s: float, closing: Closing
    ) -> None:
        self._name, self._clock, self._give_up_s, self._closing = name, clock, give_up_s, closing
        self._arrivals = Arrivals(f"The camera {name}", clock, rate_hz)
        self._first: Frame | None = None
        self._away = False
        self.spoiled = self._spoiled_before = 0

    def read(self) -> Frame | None:
        """Wait for the next frame; None after `close`.

        Raises CameraLost when the camera was away or silent for `give_up_s` (reading again waits anew),
        FormatRefused for colour pictures or another size. The frames before are safe.
        """
        with self._closing.reading():
            frame, self._first = self._first, None
            return frame if frame is not None and not self._closing.closed else self._next(self._give_up_s)

    def close(self) -> None:
        """Let go of the camera, from any thread; a read that blocks in a driver lets go when it returns."""
        self._closing.close()

    def silence_s(self) -> float:
        """Seconds since the last new picture."""
        return self._arrivals.silence_s()

    @abstractmethod
    def _step(self, give_up_at_s: float) -> Frame | None:
        """Wait for the next thing that happens; a frame where it is one."""

    @abstractmethod
    def _open(self) -> object:
        """Open the device or the stream. Raises CameraNotFound or CameraBusy."""

    @abstractmethod
    def _let_go(self) -> None:
        """Close it, where it is open."""

    def _await_first(self) -> Frame:
        """The first picture, which `read` then gives. Raises CameraNotFound where none comes."""
        try:
            first = self._next(FIRST_PICTURE_S)
        except SourceError as error:
            self._let_go()
            if isinstance(error, CameraLost):
                raise CameraNotFound(
                    f"The camera {self._name} {self.greets} but sends no picture."
                ) from error
            raise
        assert first is not None  # nobody else has this object yet, so it is not closed
        self._first = first
        return first

    def _next(self, give_up_s: float) -> Frame | None:
        give_up_at_s = self._clock.now_s() + give_up_s
        while not self._closing.closed:
            frame = self._step(give_up_at_s)
            if frame is not None:
                return frame
        return None

    def _look_again(self, give_up_at_s: float) -> None:
        """Look once whether the camera is back. Raises CameraLost when it is time to give up."""
        self._let_go()
        self._away = True
        if self._closing.closed:
            return
        if self._clock.now_s() > give_up_at_s:
            raise CameraLost(
                f"The camera {self._name} has sent nothing for {self.silence_s():.1f} s. The frames before "
                f"that are safe. {self.check}"
            )
        try:
            self._open()
        except (CameraNotFound, CameraBusy):
            self._closing.wait(RETRY_S)

    def _grey(self, decode: Callable[[T], NDArray[np.uint8] | None], data: T) -> NDArray[np.uint8] | None:
        """The picture that `decode` finds in `data`. Raises FormatRefused where it is in colour."""
        try:
            return decode(data)
        except ColourPictureError as error:
            raise FormatRefused(
                f"The camera {self._name} sends colour pictures ({error}). Infrared pictures are needed: "
                "use an infrared camera and switch on its light. The frames before that are safe."
            ) from None

    def _arrived(
        self,
        image: NDArray[np.uint8] | None,
        time_s: float,
        device_time_s: float = NAN,
        encoded: bytes | None = None,
        **numbered: Any,
    ) -> Frame | None:
        """The frame of a picture; None where it could not be opened, which is counted."""
        if image is None:
            self.spoiled += 1
            return None
        spoiled = self.spoiled - self._spoiled_before
        frame = self._arrivals.frame(
            image, time_s, device_time_s, encoded, away=self._away, spoiled=spoiled, **numbered
        )
        self._away, self._spoiled_before = False, self.spoiled
        return frame
