"""One line of text becomes a source: a camera, a stream, a simulated camera, a file."""

from __future__ import annotations

from pathlib import Path

from capture.camera import Camera
from capture.clock import Clock
from capture.errors import CameraNotFound
from capture.http_camera import HttpCamera
from capture.live import AS_IT_IS, CameraSettings
from capture.samples import EYES
from capture.source import Source
from capture.video_file import open_video

CAMERA, HTTP, SIMULATED = "camera:", "http://", "simulated:"
SIMULATED_RATE_HZ = 250.0
RESPONDING_RATE_HZ = 100.0  # each picture is painted when it is due, beside everything else that runs


def open_source(text: str, clock: Clock, asked: CameraSettings = AS_IT_IS) -> Source:
    """Open `camera:<identity>`, `http://...`, `simulated:<eye>[:<pattern>]` or the path of a video file.

    Raises SourceError: CameraNotFound, CameraBusy, FormatRefused, or for a file that cannot be used.
    """
    if text.startswith(CAMERA):
        return Camera(text.removeprefix(CAMERA), clock, asked)
    if text.startswith(HTTP):
        return HttpCamera(text, clock, asked)
    if text.startswith(SIMULATED):
        return _simulated(text.removeprefix(SIMULATED), clock, asked)
    return open_video(Path(text))


def _simulated(text: str, clock: Clock, asked: CameraSettings) -> Source:
    eye, _, pattern = text.partition(":")
    if eye not in EYES:
        raise CameraNotFound(f"There is no simulated camera {eye}; there is one for right and one for left.")
    from capture.prepared import PATTERNS, USUAL, simulated_camera  # loaded only where it is wanted
    from capture.simulation import patterns
    from capture.simulation.responding import responding_camera

    if pattern in patterns.PATTERNS:
        return responding_camera(eye, clock, pattern, asked.rate_hz or RESPONDING_RATE_HZ)
    if pattern and pattern not in PATTERNS:
        known = "; ".join((*patterns.PATTERNS, *PATTERNS))
        raise CameraNotFound(f"No invented eye shows {pattern!r}; there are: {known}.")
    rate_hz = asked.rate_hz or SIMULATED_RATE_HZ
    return simulated_camera(eye, clock, rate_hz, pattern=pattern or USUAL)


def is_live(text: str) -> bool:
    """Whether a patient may sit behind this source, so that the light gate holds for it."""
    return text.startswith((CAMERA, HTTP))
