"""A video file as a source: MKV, AVI, MP4, whatever OpenCV reads, with or without the times of its frames.

A JPEG inside the file is kept byte for byte as the camera sent it. A frame that the file does not hold (an
empty or broken packet) is a jump of the frame number, never a made-up picture.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.errors import SourceError
from capture.frame_times import FrameTimes, read_frame_times
from capture.picture import ColourPictureError, decode_grey, is_whole_jpeg, to_grey
from capture.samples import NAN, Frame
from capture.source import SourceInfo, Times

# FFmpeg would print its own lines about broken files; read once, before the first file is opened.
os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_ERROR)

RAW = [cv2.CAP_PROP_FORMAT, -1]  # packets as they are in the file, not decoded
GREY_8 = int.from_bytes(b"Y800", "little")  # OpenCV's name for one plane of 8 bits
JPEG_CODES = (b"MJPG", b"JPEG")
CONTAINER_ROUNDING_S = 0.6e-3  # Matroska keeps whole milliseconds
COUNT_TOLERANCE = 0.01  # a header's frame count is an estimate; a smaller shortfall is no sign of a cut file


def open_video(path: Path, times_path: Path | None = None) -> VideoFile:
    """Open a video file, with the CSV of its frame times where there is one.

    Without frame times each frame's time is the container's or made up from the nominal rate, and the source
    says `times="nominal"`. Raises SourceError when the video or the times cannot be used.
    """
    if not path.is_file():
        raise SourceError(f"There is no video file {path}. Check the path.")
    return VideoFile(path, None if times_path is None else read_frame_times(times_path))


class VideoFile:
    """The frames of one video file, in order. Made by `open_video`; read by one thread."""

    def __init__(self, path: Path, times: FrameTimes | None) -> None:
        self._path = path
        self._capture, self._jpeg = _open(path)
        self._rate_hz = float(self._capture.get(cv2.CAP_PROP_FPS))
        # An AVI has a place for each frame, also for one that the camera lost.
        self._counts_places = self._jpeg and self._rate_hz > 0 and _is_avi(path)
        self._declared = max(int(self._capture.get(cv2.CAP_PROP_FRAME_COUNT)), 0)
        self._times = times
        self._place = -1  # of the last packet read
        self._last: Frame | None = None
        try:
            if times is not None:
                self._match(times)
                times.check_unit(self._rate_hz)
            self._first: Frame | None = self._next()
            if self._first is None:
                raise SourceError(f"The video {path} holds no picture. Nothing was recorded.")
        except SourceError:
            self.close()
            raise
        self.info = self._describe(self._first)

    def read(self) -> Frame | None:
        """The next frame; None at the end.

        Raises SourceError for a colour picture, a picture of another size, a frame without a time, and at the
        end of a video that was cut off. The frames before that are good.
        """
        frame, self._first = self._first, None
        if frame is None:
            frame = self._next()
        if frame is None:
            self._check_whole()
        return frame

    def close(self) -> None:
        """Let go of the file."""
        self._capture.release()

    def _describe(self, first: Frame) -> SourceInfo:
        height, width = first.image.shape
        times: Times = "nominal" if self._times is None else "measured"
        count = self._declared if self._times is None else self._times.last_frame + 1
        return SourceInfo(
            self._path.name, width, height, self._rate_hz, times, count or None, self._span_s(first, count)
        )

    def _span_s(self, first: Frame, count: int) -> tuple[float, float] | None:
        if self._times is not None:
            return self._times.span_s
        if count and self._rate_hz > 0:
            return first.time_s, first.time_s + (count - 1) / self._rate_hz
        return None

    def _next(self) -> Frame | None:
        """Read on to the next whole picture."""
        while True:
            there, packet = self._capture.read()
            if not there:
                return None
            at_s = self._capture.get(cv2.CAP_PROP_POS_MSEC) * 1e-3
            self._place = round(at_s * self._rate_hz) if self._counts_places else self._place + 1
            encoded = packet.tobytes() if self._jpeg else None
            image = self._picture(packet, encoded)
            if image is not None:
                return self._frame(image, encoded, at_s)

    def _picture(self, packet: NDArray[Any], encoded: bytes | None) -> NDArray[np.uint8] | None:
        try:
            if encoded is None:
                return to_grey(packet)
            return decode_grey(encoded) if is_whole_jpeg(encoded) else None
        except ColourPictureError as error:
            raise SourceError(
                f"Frame {self._place} of the video {self._path} is a colour picture ({error}). "
                "Infrared pictures are needed. The frames before it are good."
            ) from None

    def _frame(self, image: NDArray[np.uint8], encoded: bytes | None, at_s: float) -> Frame:
        last = self._last
        if last is not None and image.shape != last.image.shape:
            raise SourceError(
                f"Frame {self._place} of the video {self._path} has another size than the frames before it "
                f"({image.shape[1]}x{image.shape[0]}). The frames before it are good."
            )
        repeated = last is not None and image.tobytes() == last.image.tobytes()
        self._last = Frame(self._place, self._time(at_s), NAN, image, encoded, repeated)
        return self._last

    def _time(self, at_s: float) -> float:
        return self._container_time(at_s) if self._times is None else self._measured_time(self._times)

    def _container_time(self, at_s: float) -> float:
        on_the_beat_s = round(at_s * self._rate_hz) / self._rate_hz if self._rate_hz > 0 else at_s
        time_s = on_the_beat_s if abs(on_the_beat_s - at_s) <= CONTAINER_ROUNDING_S else at_s
        if self._last is None or time_s > self._last.time_s:
            return time_s
        if self._rate_hz > 0:
            return self._last.time_s + 1 / self._rate_hz
        raise SourceError(
            f"The video {self._path} has neither times nor a rate. Give the times of its frames."
        )

    def _measured_time(self, times: FrameTimes) -> float:
        time_s = times.time_of.get(self._place)
        if time_s is None:
            raise SourceError(
                f"The frame times {times.path} have no row for frame {self._place} of the video "
                f"{self._path}. The frames before it are good."
            )
        return time_s

    def _match(self, times: FrameTimes) -> None:
        """Refuse times of another video: their count must be the header's, or else that of the packets."""
        listed = times.last_frame + 1
        if listed == self._declared:
            return
        pictures, places = _count(self._path, self._rate_hz if self._counts_places else None)
        if self._counts_places and listed == pictures < places:
            self._counts_places = False  # listed without the places that hold no picture
            return
        never_finished = self._declared == 0 and listed > places  # then the end tells what is missing
        if listed != places and not never_finished:
            raise SourceError(
                f"The frame times {times.path} end with frame {times.last_frame}, but the video {self._path} "
                f"holds {places} frames. They do not belong together, or one of them is cut off."
            )

    def _check_whole(self) -> None:
        read = self._place + 1
        expected = self.info.frame_count or 0
        allowed = 0 if self._times is not None else round(COUNT_TOLERANCE * expected) + 1
        if read + allowed < expected:
            whole = 0 if self._last is None else self._last.number + 1  # the last packet may be a torn one
            raise SourceError(
                f"The video {self._path} ends after {whole} of {expected} frames: it was cut off. "
                f"The {whole} frames before that are good."
            )


def _open(path: Path) -> tuple[cv2.VideoCapture, bool]:
    """The opened video, and whether its packets are JPEGs (then they come undecoded)."""
    raw = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG, RAW)
    if not raw.isOpened():
        raise SourceError(f"{path} is empty, damaged or not a video. Nothing was recorded.")
    code = int(raw.get(cv2.CAP_PROP_FOURCC)).to_bytes(4, "little")
    if code.upper() in JPEG_CODES:
        return raw, True
    raw.release()
    decoded = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
    if int(decoded.get(cv2.CAP_PROP_CODEC_PIXEL_FORMAT)) == GREY_8:
        decoded.set(cv2.CAP_PROP_CONVERT_RGB, 0)
    return decoded, False


def _is_avi(path: Path) -> bool:
    with path.open("rb") as file:
        head = file.read(12)
    return head[:4] == b"RIFF" and head[8:] == b"AVI "


def _count(path: Path, rate_hz: float | None) -> tuple[int, int]:
    """Pictures in a video, and places for them (by their times where a rate is given), without decoding."""
    raw = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG, RAW)
    pictures, end_s = 0, 0.0
    while raw.grab():
        pictures += 1
        end_s = raw.get(cv2.CAP_PROP_POS_MSEC) * 1e-3
    raw.release()
    return pictures, pictures if rate_hz is None else round(end_s * rate_hz) + 1
