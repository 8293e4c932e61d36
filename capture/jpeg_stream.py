"""JPEG pictures out of a stream of bytes, such as the body of multipart/x-mixed-replace.

Each picture is found by walking its own segments (ITU-T T.81, annex B), from its start marker to its end
marker. So neither a boundary nor a Content-Length is needed, and a false one does no harm; the text between
two pictures is only searched for the headers that a sender may add.
"""

from __future__ import annotations

import re
from typing import NamedTuple

START = b"\xff\xd8"
# In the coded picture itself FF is followed by 00 or by a restart marker; FF FF is a fill byte.
MARKER = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]")
END_OF_PICTURE, START_OF_PICTURE = 0xD9, 0xD8
LARGEST_PICTURE = 16 << 20  # bytes; what goes on for longer is no picture
LONGEST_TEXT = 64 << 10  # bytes between two pictures that are kept for headers


class Picture(NamedTuple):
    """One JPEG, byte for byte, and what stood before it: its headers come last."""

    encoded: bytes
    before: bytes


class JpegStream:
    """Takes bytes as they come and gives whole pictures. A picture that was cut off is left out."""

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._start = -1  # of the picture that is being walked through; -1 between pictures
        self._at = 0  # up to where everything is understood
        self.spoiled = 0  # pictures that began and never ended

    @property
    def in_picture(self) -> bool:
        """Whether the next picture has begun to arrive."""
        return self._start >= 0

    def feed(self, data: bytes) -> list[Picture]:
        """Add bytes and return the pictures that they complete, in order."""
        self._buffer += data
        pictures: list[Picture] = []
        while (picture := self._next()) is not None:
            pictures.append(picture)
        return pictures

    def _next(self) -> Picture | None:
        """Cut the next whole picture off the buffer; None until there is one."""
        while self._start >= 0 or self._find_start():
            end = self._walk()
            if end is None:
                if len(self._buffer) - self._start <= LARGEST_PICTURE:
                    return None
                self.spoiled += 1
                self._cut(self._start + 2)
                continue
            picture = Picture(bytes(self._buffer[self._start : end]), bytes(self._buffer[: self._start]))
            self._cut(end)
            return picture
        return None

    def _find_start(self) -> bool:
        self._start = self._buffer.find(START, self._at)
        if self._start < 0:
            if len(self._buffer) > LONGEST_TEXT:
                self._cut(len(self._buffer) - LONGEST_TEXT)
            self._at = max(len(self._buffer) - 1, 0)
            return False
        self._at = self._start + 2
        return True

    def _walk(self) -> int | None:
        """Where the picture ends; None while bytes are missing. If another begins, this one was cut off."""
        while (marker := MARKER.search(self._buffer, self._at)) is not None:
            kind, after = self._buffer[marker.start() + 1], marker.end()
            if kind == END_OF_PICTURE:
                return after
            if kind == START_OF_PICTURE:
                self.spoiled += 1
                self._start, self._at = marker.start(), after
                continue
            if len(self._buffer) < after + 2:
                self._at = marker.start()
                return None
            self._at = after + int.from_bytes(self._buffer[after : after + 2], "big")
            if self._at > len(self._buffer):
                self._at = marker.start()
                return None
        self._at = max(self._at, len(self._buffer) - 1)
        return None

    def _cut(self, until: int) -> None:
        del self._buffer[:until]
        self._start, self._at = -1, 0
