"""Settings of a camera through OpenCV: asked for in the order that drivers need, and read back."""

from __future__ import annotations

from typing import Any, Protocol

import cv2

from capture.camera_system import CameraSystem
from capture.live import CameraSettings, SettingsReport

JPEG_FORMATS = ("MJPG", "JPEG")


class Device(Protocol):
    """What is used of `cv2.VideoCapture`."""

    def isOpened(self) -> bool: ...  # noqa: N802, D102
    def set(self, propId: int, value: float) -> bool: ...  # noqa: D102, N803
    def get(self, propId: int) -> float: ...  # noqa: D102, N803
    def grab(self) -> bool: ...  # noqa: D102
    def retrieve(self) -> tuple[bool, Any]: ...  # noqa: D102
    def release(self) -> None: ...  # noqa: D102


def apply_settings(device: Device, asked: CameraSettings, system: CameraSystem) -> None:
    """Ask for everything. Whether it was taken, only `read_settings` and the pictures tell.

    A pixel format or a size starts the stream anew and may reset the rest, so they come first; a rate may
    depend on both; manual exposure must be on before an exposure is taken.
    """
    if asked.pixel_format is not None:
        device.set(cv2.CAP_PROP_FOURCC, int.from_bytes(asked.pixel_format.encode("ascii"), "little"))
    if asked.width_px is not None and asked.height_px is not None:
        device.set(cv2.CAP_PROP_FRAME_WIDTH, asked.width_px)
        device.set(cv2.CAP_PROP_FRAME_HEIGHT, asked.height_px)
    if system.buffers is not None:
        device.set(cv2.CAP_PROP_BUFFERSIZE, system.buffers)
    if system.gives_bytes and _letters(device.get(cv2.CAP_PROP_FOURCC)) in JPEG_FORMATS:
        device.set(cv2.CAP_PROP_CONVERT_RGB, 0)
    if asked.rate_hz is not None:
        device.set(cv2.CAP_PROP_FPS, asked.rate_hz)
    if asked.exposure_ms is not None:
        exposure = system.exposure_to_driver(asked.exposure_ms)
        if exposure is not None:
            device.set(cv2.CAP_PROP_AUTO_EXPOSURE, system.manual_exposure)
            device.set(cv2.CAP_PROP_EXPOSURE, exposure)
    if asked.gain is not None:
        device.set(cv2.CAP_PROP_GAIN, asked.gain)


def read_settings(device: Device, asked: CameraSettings, system: CameraSystem) -> SettingsReport:
    """What the driver says that it does. It may be wrong; the size and the rate are measured besides."""
    rate_hz, gain = device.get(cv2.CAP_PROP_FPS), device.get(cv2.CAP_PROP_GAIN)
    got = CameraSettings(
        int(device.get(cv2.CAP_PROP_FRAME_WIDTH)) or None,
        int(device.get(cv2.CAP_PROP_FRAME_HEIGHT)) or None,
        rate_hz if rate_hz > 0 else None,
        system.exposure_from_driver(device.get(cv2.CAP_PROP_EXPOSURE)),
        gain if gain >= 0 else None,
        _letters(device.get(cv2.CAP_PROP_FOURCC)),
    )
    return SettingsReport(asked, got, system.is_automatic(device.get(cv2.CAP_PROP_AUTO_EXPOSURE)))


def _letters(code: float) -> str | None:
    letters = int(code).to_bytes(4, "little", signed=False) if 0 < code < 2**32 else b""
    return letters.decode("ascii", "replace").rstrip() or None
