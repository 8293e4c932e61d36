"""One line of text becomes a source: a camera, a stream, a file."""

from __future__ import annotations

from pathlib import Path

from capture.camera import Camera
from capture.clock import Clock
from capture.http_camera import HttpCamera
from capture.live import AS_IT_IS, CameraSettings
from capture.source import Source
from capture.video_file import open_video

CAMERA, HTTP = "camera:", "http://"


def open_source(text: str, clock: Clock, asked: CameraSettings = AS_IT_IS) -> Source:
    """Open `camera:<identity>`, `http://...` or the path of a video file.

    Raises SourceError: CameraNotFound, CameraBusy, FormatRefused, or for a file that cannot be used.
    """
    if text.startswith(CAMERA):
        return Camera(text.removeprefix(CAMERA), clock, asked)
    if text.startswith(HTTP):
        return HttpCamera(text, clock, asked)
    return open_video(Path(text))


def is_live(text: str) -> bool:
    """Whether a patient may sit behind this source, so that the light gate holds for it."""
    return text.startswith((CAMERA, HTTP))
