"""A camera that sends JPEG pictures over HTTP (multipart/x-mixed-replace, "MJPEG over HTTP").

The camera's JPEG bytes are kept as they came. Each frame is stamped when its last byte has arrived; where the
sender adds the headers `Frame-Time: <seconds>` and `Frame-Number: <count>` to a picture, they become the
frame's `device_time_s` and prove what was lost. A stream that falls silent or breaks is opened anew.

Run against loopback servers only, never on a real camera.
"""

from __future__ import annotations

import re
from collections import deque
from urllib.parse import urlsplit

from capture.clock import Clock
from capture.closing import Closing
from capture.errors import CameraNotFound
from capture.http_stream import HttpStream
from capture.jpeg_stream import JpegStream, Picture
from capture.live import AS_IT_IS, GIVE_UP_S, RATE_NOT_TOLD, CameraSettings, SettingsReport
from capture.picture import decode_grey
from capture.samples import NAN, Frame
from capture.source import SourceInfo
from capture.taken_up import TakenUp

RECONNECT_S = 2.0  # without a byte for so long the connection is taken for dead and made anew
FRAME_TIME = re.compile(rb"^frame-time:[ \t]*([0-9]+(?:\.[0-9]+)?)", re.IGNORECASE | re.MULTILINE)
FRAME_NUMBER = re.compile(rb"^frame-number:[ \t]*([0-9]+)", re.IGNORECASE | re.MULTILINE)


class HttpCamera(TakenUp):
    """One stream. `close` ends a blocked read at once."""

    greets, check = "answers", "Check its power and its network."

    def __init__(
        self,
        url: str,
        clock: Clock,
        asked: CameraSettings = AS_IT_IS,
        *,
        give_up_s: float = GIVE_UP_S,
        reconnect_s: float = RECONNECT_S,
    ) -> None:
        """Open the stream and wait for its first picture.

        Raises CameraNotFound, CameraBusy or FormatRefused.
        """
        self._host, self._port, self._path = _parts(url)
        name = f"{self._host}:{self._port}{self._path.partition('?')[0]}"
        super().__init__(name, clock, asked.rate_hz, give_up_s, Closing(self._let_go, self._cut))
        self._reconnect_s = reconnect_s
        self._waiting: deque[Picture] = deque()
        self._arrived_s = clock.now_s()
        self._stream: HttpStream | None = None
        self._open()
        height, width = self._await_first().image.shape
        rate_hz = asked.rate_hz or RATE_NOT_TOLD  # a stream does not tell it
        self.info = SourceInfo(name, width, height, rate_hz, "measured", None)
        self.settings = SettingsReport(asked, CameraSettings(width, height, pixel_format="MJPG"))

    def _step(self, give_up_at_s: float) -> Frame | None:
        if self._waiting:
            return self._frame(self._waiting.popleft())
        data = b"" if self._stream is None else self._stream.receive()
        if not data:
            self._look_again(give_up_at_s)
            return None
        self._arrived_s = self._clock.now_s()
        spoiled = self._jpegs.spoiled
        self._waiting.extend(self._jpegs.feed(data))
        self.spoiled += self._jpegs.spoiled - spoiled
        return None

    def _frame(self, picture: Picture) -> Frame | None:
        """The frame of a JPEG; None where it cannot be opened."""
        times, counts = FRAME_TIME.findall(picture.before), FRAME_NUMBER.findall(picture.before)
        return self._arrived(
            self._grey(decode_grey, picture.encoded),
            self._arrived_s,
            float(times[-1]) if times else NAN,
            picture.encoded,
            sequence=int(counts[-1]) if counts else None,
            more_waiting=bool(self._waiting) or self._jpegs.in_picture,
        )

    def _open(self) -> None:
        self._jpegs = JpegStream()
        self._stream = HttpStream(self._host, self._port, self._path, self._reconnect_s)

    def _cut(self) -> None:
        stream = self._stream  # the reader may drop it at any time
        if stream is not None:
            stream.cut()

    def _let_go(self) -> None:
        if self._stream is not None:
            self._stream.close()
            self._stream = None


def _parts(url: str) -> tuple[str, int, str]:
    """Host, port and path of an address. Raises CameraNotFound when it is none."""
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port or 80
    except ValueError as error:
        raise CameraNotFound(f"{url} is not the address of a camera ({error}).") from error
    if parts.scheme != "http" or not host:
        raise CameraNotFound(f"{url} is not the address of a camera: write http:// and the name of a host.")
    return host, port, (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
