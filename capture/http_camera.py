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

from capture.arrivals import Arrivals
from capture.clock import Clock
from capture.closing import Closing
from capture.errors import CameraBusy, CameraLost, CameraNotFound, FormatRefused, SourceError
from capture.http_stream import HttpStream
from capture.jpeg_stream import JpegStream, Picture
from capture.live import AS_IT_IS, GIVE_UP_S, RATE_NOT_TOLD, RETRY_S, CameraSettings, SettingsReport
from capture.picture import ColourPictureError, decode_grey
from capture.samples import NAN, Frame
from capture.source import SourceInfo

RECONNECT_S = 2.0  # without a byte for so long the connection is taken for dead and made anew
FIRST_PICTURE_S = 5.0  # a camera that answers but sends no picture for so long cannot be used
FRAME_TIME = re.compile(rb"^frame-time:[ \t]*([0-9]+(?:\.[0-9]+)?)", re.IGNORECASE | re.MULTILINE)
FRAME_NUMBER = re.compile(rb"^frame-number:[ \t]*([0-9]+)", re.IGNORECASE | re.MULTILINE)


class HttpCamera:
    """One stream, read by one thread; `silence_s` and `close` may be called from any.

    `spoiled` counts pictures that were cut off or could not be opened.
    """

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
        self._name = f"{self._host}:{self._port}{self._path.partition('?')[0]}"
        self._clock, self._give_up_s, self._reconnect_s = clock, give_up_s, reconnect_s
        self._closing = Closing(self._disconnect, self._cut)
        self._jpegs = JpegStream()
        self._waiting: deque[Picture] = deque()
        self._arrived_s = clock.now_s()
        self._away = False
        self.spoiled = self._spoiled_before = 0
        self._arrivals = Arrivals(f"The camera {self._name}", clock, asked.rate_hz)
        self._stream: HttpStream | None = self._open()
        try:
            self._first: Frame | None = self._next(FIRST_PICTURE_S)
        except SourceError as error:
            self._disconnect()
            if isinstance(error, CameraLost):
                raise CameraNotFound(f"The camera {self._name} answers but sends no picture.") from error
            raise
        assert self._first is not None  # nobody else has this object yet, so it is not closed
        self.info, self.settings = self._describe(self._first, asked)

    def read(self) -> Frame | None:
        """Wait for the next frame; None after `close`.

        Raises CameraLost when nothing came for `give_up_s` (reading again waits anew), FormatRefused for
        colour pictures or another size. The frames before are safe.
        """
        with self._closing.reading():
            frame, self._first = self._first, None
            return frame if frame is not None and not self._closing.closed else self._next(self._give_up_s)

    def close(self) -> None:
        """Let go of the stream, from any thread; a blocked read ends at once."""
        self._closing.close()

    def silence_s(self) -> float:
        """Seconds since the last new picture."""
        return self._arrivals.silence_s()

    def _describe(self, first: Frame, asked: CameraSettings) -> tuple[SourceInfo, SettingsReport]:
        height, width = first.image.shape
        rate_hz = asked.rate_hz or RATE_NOT_TOLD  # a stream does not tell it
        got = CameraSettings(width, height, pixel_format="MJPG")
        return SourceInfo(self._name, width, height, rate_hz, "measured", None), SettingsReport(asked, got)

    def _next(self, give_up_s: float) -> Frame | None:
        give_up_at_s = self._clock.now_s() + give_up_s
        while not self._closing.closed:
            if not self._waiting:
                self._receive(give_up_at_s)
                continue
            frame = self._frame(self._waiting.popleft())
            if frame is not None:
                return frame
            self.spoiled += 1
        return None

    def _frame(self, picture: Picture) -> Frame | None:
        """The frame of a JPEG; None where it cannot be opened."""
        try:
            image = decode_grey(picture.encoded)
        except ColourPictureError as error:
            raise FormatRefused(
                f"The camera {self._name} sends colour pictures ({error}). Infrared pictures are needed: "
                "switch on its infrared light. The frames before that are safe."
            ) from None
        if image is None:
            return None
        times, counts = FRAME_TIME.findall(picture.before), FRAME_NUMBER.findall(picture.before)
        frame = self._arrivals.frame(
            image,
            self._arrived_s,
            float(times[-1]) if times else NAN,
            picture.encoded,
            int(counts[-1]) if counts else None,
            away=self._away,
            more_waiting=bool(self._waiting) or self._jpegs.in_picture,
            spoiled=self.spoiled - self._spoiled_before,
        )
        self._away, self._spoiled_before = False, self.spoiled
        return frame

    def _receive(self, give_up_at_s: float) -> None:
        """Take what has arrived, or open the stream anew."""
        data = b"" if self._stream is None else self._stream.receive()
        if data:
            self._arrived_s = self._clock.now_s()
            spoiled = self._jpegs.spoiled
            self._waiting.extend(self._jpegs.feed(data))
            self.spoiled += self._jpegs.spoiled - spoiled
        elif self._clock.now_s() > give_up_at_s:
            raise CameraLost(
                f"The camera {self._name} has sent nothing for {self.silence_s():.1f} s. The frames before "
                "that are safe. Check its power and its network."
            )
        elif not self._closing.closed:
            self._reopen()

    def _reopen(self) -> None:
        self._disconnect()
        self._away = True
        try:
            self._stream = self._open()
        except (CameraNotFound, CameraBusy):
            self._closing.wait(RETRY_S)

    def _open(self) -> HttpStream:
        self._jpegs = JpegStream()
        return HttpStream(self._host, self._port, self._path, self._reconnect_s)

    def _cut(self) -> None:
        stream = self._stream  # the reader may drop it at any time
        if stream is not None:
            stream.cut()

    def _disconnect(self) -> None:
        if self._stream is not None:
            self._stream.close()
            self._stream = None


def _parts(url: str) -> tuple[str, int, str]:
    """Host, port and path of an address. Raises CameraNotFound when it is none."""
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port or 80
    except ValueError as error:
        raise CameraNotFound(f"{url} is no address of a camera ({error}).") from error
    if parts.scheme != "http" or not host:
        raise CameraNotFound(f"{url} is no address of a camera; it begins with http:// and names a host.")
    return host, port, (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
