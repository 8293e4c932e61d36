"""A stand-in for OpenCV's capture that lies as cameras do, and the socket it is plugged into.

Inject `bus.find` and `bus.open` into `capture.camera.Camera`. Time is that of a stepped clock: a grab lets
the camera's own interval pass, so hours of faults take no time.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.camera_list import CameraEntry
from capture.clock import SteppedClock

JPEG_CODE = int.from_bytes(b"MJPG", "little")


@dataclass
class Lies:
    """What a camera does. The defaults are honest."""

    rate_hz: float = 100.0  # what it truly gives
    said_rate_hz: float | None = None  # what it says; None: what was asked
    ignores: bool = False  # takes no setting and goes on saying what it does
    copies: int = 1  # each picture is sent so often
    tells_time: bool = True
    channels: int = 1  # 3: three channels of a converted picture
    jpeg: bool = True
    fails_first: int = 0  # grabs that give nothing
    fails_for_s: float = 1.0  # how long each such grab takes: the driver's own time limit
    block: threading.Event | None = None  # while it is clear, a grab does not return
    blocked: threading.Event = field(default_factory=threading.Event)  # set when a grab is caught


class LyingBus:
    """Where cameras are plugged in and out, each with its place (an index that changes) and its pictures."""

    def __init__(self, packets: Sequence[bytes], clock: SteppedClock, lies: Lies | None = None) -> None:
        self.packets, self.clock, self.lies = packets, clock, lies or Lies()
        self.entry: CameraEntry | None = CameraEntry("SN-4711", "Stand-in camera", "SN-4711", "usb-1-2", 0)
        self.busy = False
        self.comes_back: tuple[int, int] | None = None  # after so many looks, at this index
        self.opened: list[LyingCamera] = []

    def find(self, identity: str) -> CameraEntry | None:
        self.clock.step(0.05)  # looking takes time, so that waiting ends
        if self.comes_back is not None:
            looks, index = self.comes_back
            self.comes_back = (looks - 1, index)
            if looks == 1:
                self.plug_in(index)
        entry = self.entry
        return entry if entry is not None and identity in (entry.serial, entry.port) else None

    def open(self, place: str | int, api: int) -> LyingCamera:
        there = self.entry is not None and place == self.entry.place and not self.busy
        camera = LyingCamera(self, int(place), there)
        self.opened.append(camera)
        return camera

    def unplug(self) -> None:
        self.entry = None

    def plug_in(self, index: int) -> None:
        self.entry = CameraEntry("SN-4711", "Stand-in camera", "SN-4711", "usb-1-2", index)

    @property
    def all_released(self) -> bool:
        return all(camera.released for camera in self.opened)


class LyingCamera:
    """One opened device, with the methods of `cv2.VideoCapture` that are used."""

    def __init__(self, bus: LyingBus, index: int, there: bool) -> None:
        self._bus, self._index, self._open = bus, index, there
        self._settings = {
            cv2.CAP_PROP_FPS: 30.0,
            cv2.CAP_PROP_FRAME_WIDTH: 640.0,
            cv2.CAP_PROP_FRAME_HEIGHT: 480.0,
            cv2.CAP_PROP_FOURCC: float(JPEG_CODE),
            cv2.CAP_PROP_AUTO_EXPOSURE: 3.0,
            cv2.CAP_PROP_EXPOSURE: 156.0,
            cv2.CAP_PROP_GAIN: 10.0,
        }
        self._grabs = 0
        self.released = not there

    def isOpened(self) -> bool:  # noqa: N802
        return self._open

    def set(self, propId: int, value: float) -> bool:  # noqa: N803
        if self._bus.lies.ignores:
            return True  # a lie
        self._settings[propId] = value
        return True

    def get(self, propId: int) -> float:  # noqa: N803
        lies = self._bus.lies
        if propId == cv2.CAP_PROP_POS_MSEC:
            return self._bus.clock.now_s() * 1e3 if lies.tells_time else 0.0
        if propId == cv2.CAP_PROP_FPS and lies.said_rate_hz is not None:
            return lies.said_rate_hz
        return self._settings.get(propId, -1.0)

    def grab(self) -> bool:
        lies = self._bus.lies
        if lies.block is not None and not lies.block.is_set():
            lies.blocked.set()
            lies.block.wait()
        assert not self.released, "a device was read after it was released"
        here = self._bus.entry is not None and self._bus.entry.place == self._index
        if not here or lies.fails_first > 0:
            lies.fails_first -= 1
            self._bus.clock.step(lies.fails_for_s)
            return False
        self._bus.clock.step(1 / lies.rate_hz)
        self._grabs += 1
        return True

    def retrieve(self) -> tuple[bool, NDArray[np.uint8] | None]:
        lies = self._bus.lies
        packet = self._bus.packets[(self._grabs - 1) // lies.copies % len(self._bus.packets)]
        if lies.jpeg:
            return True, np.frombuffer(packet, np.uint8).reshape(1, -1)
        grey = cv2.imdecode(np.frombuffer(packet, np.uint8), cv2.IMREAD_GRAYSCALE)
        return True, grey if lies.channels == 1 else np.repeat(grey[..., None], lies.channels, axis=2)

    def release(self) -> None:
        self.released = True
        self._open = False
