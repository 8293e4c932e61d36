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

from capture.camera_list import CameraEntry, find_camera
from capture.camera_settings import Device, apply_settings, read_settings
from capture.camera_system import CameraSystem, this_system
from capture.clock import Clock
from capture.closing import Closing
from capture.errors import CameraBusy, CameraNotFound
from capture.live import AS_IT_IS, GIVE_UP_S, RATE_NOT_TOLD, CameraSettings
from capture.picture import JPEG_START, decode_grey, is_whole_jpeg, to_grey
from capture.samples import NAN, Frame
from capture.source import SourceInfo
from capture.taken_up import TakenUp


def open_with_opencv(place: str | int, api: int) -> Device:
    """Open a device file or an index with one of OpenCV's back ends; it may come back not opened."""
    if isinstance(place, str):
        return cv2.VideoCapture(place, api)
    return cv2.VideoCapture(place, api)


class Camera(TakenUp):
    """One camera at this computer.

    A read may block for as long as the driver does (about a second on Linux); `silence_s` goes on meanwhile,
    and `close` does not wait for it.
    """

    check = "Check its cable; it is taken up again as soon as it is back."

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
        self._identity, self._asked = identity, asked
        self._find, self._open_device, self._system = find, open_device, system or this_system()
        self._device: Device | None = None
        entry = self._open()
        rate_hz = self.settings.got.rate_hz
        super().__init__(entry.name, clock, rate_hz, give_up_s, Closing(self._let_go))
        height, width = self._await_first().image.shape
        self.info = SourceInfo(entry.name, width, height, rate_hz or RATE_NOT_TOLD, "measured", None)

    def _step(self, give_up_at_s: float) -> Frame | None:
        device = self._device
        if device is not None and device.grab():
            return self._frame(device, self._clock.now_s())
        self._look_again(give_up_at_s)  # silent or gone: the driver does not say which
        return None

    def _frame(self, device: Device, time_s: float) -> Frame | None:
        """The frame that was just grabbed; None where its picture cannot be opened."""
        device_time_s = device.get(cv2.CAP_PROP_POS_MSEC) * 1e-3 if self._system.tells_time else NAN
        there, data = device.retrieve()
        if not there or data is None or data.size == 0:
            return self._arrived(None, time_s)
        encoded = data.tobytes() if _is_jpeg(data) else None
        image = self._grey(_decode, data if encoded is None else encoded)
        return self._arrived(image, time_s, device_time_s if device_time_s > 0 else NAN, encoded)

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


def _decode(data: bytes | NDArray[Any]) -> NDArray[np.uint8] | None:
    """Of JPEG bytes or of what the driver opened; None where it is no whole picture."""
    if isinstance(data, bytes):
        return decode_grey(data) if is_whole_jpeg(data) else None
    return None if 1 in data.shape[:2] else to_grey(data)  # a row of bytes is no picture


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
