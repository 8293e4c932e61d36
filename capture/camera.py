"""A camera at this computer, through OpenCV, found by its stable identity.

Settings are asked for, read back, and reported as both. The camera's JPEG bytes are kept where the system
gives them. A camera that is unplugged is waited for and taken up again wherever it comes back.

Never run on a real camera: the tests run a stand-in for OpenCV's capture that lies as cameras do.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.arrivals import Arrivals
from capture.camera_list import CameraEntry, find_camera
from capture.camera_settings import Device, apply_settings, read_settings
from capture.camera_system import CameraSystem, this_system
from capture.clock import Clock
from capture.closing import Closing
from capture.errors import CameraBusy, CameraLost, CameraNotFound, FormatRefused, SourceError
from capture.live import AS_IT_IS, GIVE_UP_S, RATE_NOT_TOLD, RETRY_S, CameraSettings
from capture.picture import JPEG_START, ColourPictureError, decode_grey, is_whole_jpeg, to_grey
from capture.samples import NAN, Frame
from capture.source import SourceInfo

FIRST_PICTURE_S = 5.0  # a camera that opens but sends no picture for so long cannot be used


def open_with_opencv(place: str | int, api: int) -> Device:
    """Open a device file or an index with one of OpenCV's back ends; it may come back not opened."""
    if isinstance(place, str):
        return cv2.VideoCapture(place, api)
    return cv2.VideoCapture(place, api)


class Camera:
    """One camera, read by one thread; `silence_s` and `close` may be called from any.

    `spoiled` counts pictures that were cut off or could not be opened. A read may block for as long as the
    driver does (about a second on Linux); `silence_s` goes on meanwhile, and `close` does not wait for it.
    """

    def __init__(
        self,
        identity: str,
        clock: Clock,
        asked: CameraSettings = AS_IT_IS,
        *,
        find: Callable[[str], CameraEntry | None] = find_camera,
        open_device: Callable[[str | int, int], Device] = open_with_opencv,
        system: CameraSystem | None = None,
        give_up_s: float = GIVE_UP_S,
    ) -> None:
        """Open the camera and wait for its first picture.

        Raises CameraNotFound, CameraBusy or FormatRefused.
        """
        self._identity, self._clock, self._asked, self._give_up_s = identity, clock, asked, give_up_s
        self._find, self._open_device, self._system = find, open_device, system or this_system()
        self._closing = Closing(self._let_go)
        self._away = False
        self.spoiled = self._spoiled_before = 0
        self._device: Device | None = None
        entry = self._open()
        self._name = entry.name
        self._arrivals = Arrivals(f"The camera {entry.name}", clock, self.settings.got.rate_hz)
        try:
            self._first: Frame | None = self._next(FIRST_PICTURE_S)
        except SourceError as error:
            self._let_go()
            if isinstance(error, CameraLost):
                raise CameraNotFound(f"The camera {entry.name} opens but sends no picture.") from error
            raise
        assert self._first is not None  # nobody else has this object yet, so it is not closed
        height, width = self._first.image.shape
        rate_hz = self.settings.got.rate_hz or RATE_NOT_TOLD
        self.info = SourceInfo(entry.name, width, height, rate_hz, "measured", None)

    def read(self) -> Frame | None:
        """Wait for the next frame; None after `close`.

        Raises CameraLost when the camera was away or silent for `give_up_s` (reading again waits anew),
        FormatRefused for colour pictures or another size. The frames before are safe.
        """
        with self._closing.reading():
            frame, self._first = self._first, None
            return frame if frame is not None and not self._closing.closed else self._next(self._give_up_s)

    def close(self) -> None:
        """Let go of the camera, from any thread; a read that blocks in the driver lets go when it returns."""
        self._closing.close()

    def silence_s(self) -> float:
        """Seconds since the last new picture."""
        return self._arrivals.silence_s()

    def _next(self, give_up_s: float) -> Frame | None:
        give_up_at_s = self._clock.now_s() + give_up_s
        while not self._closing.closed:
            if self._device is None:
                self._return(give_up_at_s)
            elif self._device.grab():
                frame = self._frame(self._device, self._clock.now_s())
                if frame is not None:
                    return frame
                self.spoiled += 1
            else:  # silent or gone: the driver does not say which
                self._let_go()
                self._away = True
        return None

    def _frame(self, device: Device, time_s: float) -> Frame | None:
        """The frame that was just grabbed; None where its picture cannot be opened."""
        device_time_s = device.get(cv2.CAP_PROP_POS_MSEC) * 1e-3 if self._system.tells_time else NAN
        there, data = device.retrieve()
        if not there or data is None or data.size == 0:
            return None
        encoded = data.tobytes() if _is_jpeg(data) else None
        image = self._picture(data, encoded)
        if image is None:
            return None
        device_time_s = device_time_s if device_time_s > 0 else NAN
        frame = self._arrivals.frame(
            image,
            time_s,
            device_time_s,
            encoded,
            away=self._away,
            spoiled=self.spoiled - self._spoiled_before,
        )
        self._away, self._spoiled_before = False, self.spoiled
        return frame

    def _picture(self, data: NDArray[Any], encoded: bytes | None) -> NDArray[np.uint8] | None:
        try:
            if encoded is not None:
                return decode_grey(encoded) if is_whole_jpeg(encoded) else None
            return None if 1 in data.shape[:2] else to_grey(data)  # a row of bytes is no picture
        except ColourPictureError as error:
            raise FormatRefused(
                f"The camera {self._name} sends colour pictures ({error}). Infrared pictures are needed: "
                "use an infrared camera and switch on its light. The frames before that are safe."
            ) from None

    def _return(self, give_up_at_s: float) -> None:
        """Look once whether the camera is back."""
        if self._clock.now_s() > give_up_at_s:
            raise CameraLost(
                f"The camera {self._name} has sent nothing for {self.silence_s():.1f} s. The frames before "
                "that are safe. Check its cable; it is taken up again as soon as it is back."
            )
        try:
            self._open()
        except (CameraNotFound, CameraBusy):
            self._closing.wait(RETRY_S)

    def _open(self) -> CameraEntry:
        """Find the camera where it is now and open it. Raises CameraNotFound or CameraBusy."""
        entry = self._find(self._identity)
        if entry is None:
            raise CameraNotFound(
                f"There is no camera with the serial number or port {self._identity}. Check its cable."
            )
        device = self._open_device(entry.place, self._system.api)
        if not device.isOpened():
            device.release()
            raise CameraBusy(_why_not(entry))
        apply_settings(device, self._asked, self._system)
        self.settings = read_settings(device, self._asked, self._system)
        self._device = device
        return entry

    def _let_go(self) -> None:
        if self._device is not None:
            self._device.release()
            self._device = None


def _is_jpeg(data: NDArray[Any]) -> bool:
    return 1 in data.shape and data.reshape(-1)[: len(JPEG_START)].tobytes() == JPEG_START


def _why_not(entry: CameraEntry) -> str:
    place = entry.place
    if isinstance(place, str) and Path(place).exists() and not os.access(place, os.R_OK | os.W_OK):
        return (
            f"The camera {entry.name} may not be opened by this user. "
            "Add the user to the group that owns it (often named video), then sign in again."
        )
    return f"The camera {entry.name} is used by another program. Close that program, then try again."
