"""What differs between operating systems when OpenCV opens a camera.

Never run on a real camera. The row for Linux was written from the source of OpenCV's V4L2 back end; the rows
for Windows and macOS are from memory, and a person with such a machine has to check:

* Windows: exposure is asked in log2 of seconds, 0.25 turns automatic exposure off (DirectShow);
* Windows: Media Foundation would give the time of a frame, DirectShow does not, so none is used;
* macOS: AVFoundation takes neither exposure nor gain from OpenCV; both read as not told;
* both: which index belongs to which camera comes from the package cv2-enumerate-cameras.
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from math import log2
from typing import Literal

import cv2

# A V4L2 read that gets nothing ends after this many whole seconds (OpenCV's own default is 10).
os.environ.setdefault("OPENCV_VIDEOIO_V4L_SELECT_TIMEOUT", "1")
cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_ERROR)


@dataclass(frozen=True, slots=True)
class CameraSystem:
    """One operating system's way to a camera."""

    api: int  # OpenCV's back end
    exposure_unit: Literal["100 us", "log2 s", "none"]
    manual_exposure: float  # of CAP_PROP_AUTO_EXPOSURE
    automatic_exposures: tuple[float, ...]  # its values that mean the camera chooses
    tells_time: bool  # CAP_PROP_POS_MSEC is when the driver had the frame
    gives_bytes: bool  # with CAP_PROP_CONVERT_RGB off a JPEG comes as the camera sent it
    buffers: int | None  # frames that the driver may hold while nobody reads; None: not to be asked

    def exposure_to_driver(self, exposure_ms: float) -> float | None:
        """In the driver's unit; None where it takes none."""
        if self.exposure_unit == "none":
            return None
        return exposure_ms * 10 if self.exposure_unit == "100 us" else log2(exposure_ms * 1e-3)

    def exposure_from_driver(self, value: float) -> float | None:
        """In ms; None where the driver does not tell."""
        if self.exposure_unit == "100 us":
            return value / 10 if value > 0 else None
        if self.exposure_unit == "log2 s":
            return 1e3 * 2**value if value < 0 else None
        return None

    def is_automatic(self, value: float) -> bool | None:
        """Whether a value of CAP_PROP_AUTO_EXPOSURE means automatic; None where the driver does not tell."""
        if self.exposure_unit == "none" or value < 0:
            return None
        return value in self.automatic_exposures


# V4L2: exposure in 100 us, EXPOSURE_AUTO 0 automatic, 1 manual, 2 shutter, 3 aperture priority (kernel
# documentation of the camera controls, from memory); at most 10 buffers (OpenCV, cap_v4l.cpp).
LINUX = CameraSystem(cv2.CAP_V4L2, "100 us", 1, (0, 3), tells_time=True, gives_bytes=True, buffers=10)
WINDOWS = CameraSystem(
    cv2.CAP_DSHOW, "log2 s", 0.25, (0.75, 1), tells_time=False, gives_bytes=False, buffers=None
)
MACOS = CameraSystem(cv2.CAP_AVFOUNDATION, "none", 0, (), tells_time=False, gives_bytes=False, buffers=None)


def this_system() -> CameraSystem:
    """The row for the machine that this runs on."""
    return {"win32": WINDOWS, "darwin": MACOS}.get(sys.platform, LINUX)
