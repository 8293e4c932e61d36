"""Small video files for tests: made byte by byte where a writer would hide the fault, else with OpenCV."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray


def pictures(count: int, size: tuple[int, int] = (64, 48), seed: int = 0) -> list[NDArray[np.uint8]]:
    """Grey pictures (height, width) of noise, no two alike."""
    random = np.random.default_rng(seed)
    return [random.integers(0, 256, size[::-1], dtype=np.uint8) for _ in range(count)]


def jpegs(count: int, size: tuple[int, int] = (64, 48), seed: int = 0) -> list[bytes]:
    """The same as a camera sends them."""
    return [cv2.imencode(".jpg", picture)[1].tobytes() for picture in pictures(count, size, seed)]


def write_avi(
    path: Path, packets: Sequence[bytes], rate_hz: int = 50, size: tuple[int, int] = (64, 48)
) -> Path:
    """An AVI with one MJPG packet a frame; an empty packet is a frame that the camera lost."""
    width, height = size
    header = struct.pack(
        "<14I", 1_000_000 // rate_hz, 0, 0, 0x10, len(packets), 0, 1, 1 << 20, width, height, 0, 0, 0, 0
    )
    stream = b"vidsMJPG" + struct.pack(
        "<IHHIIIIIIIIHHHH",
        0,
        0,
        0,
        0,
        1,
        rate_hz,
        0,
        len(packets),
        1 << 20,
        0xFFFFFFFF,
        0,
        0,
        0,
        width,
        height,
    )
    form = struct.pack("<IiiHH4sIiiII", 40, width, height, 1, 24, b"MJPG", width * height * 3, 0, 0, 0, 0)
    streams = _list(b"strl", _chunk(b"strh", stream) + _chunk(b"strf", form))
    index, body = b"", b""
    for packet in packets:
        index += b"00dc" + struct.pack("<III", 0x10, 4 + len(body), len(packet))
        body += _chunk(b"00dc", packet)
    content = (
        _list(b"hdrl", _chunk(b"avih", header) + streams) + _list(b"movi", body) + _chunk(b"idx1", index)
    )
    path.write_bytes(_chunk(b"RIFF", b"AVI " + content))
    return path


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)


def _list(name: bytes, data: bytes) -> bytes:
    return _chunk(b"LIST", name + data)


def write_lossless(path: Path, shown: Sequence[NDArray[np.uint8]], rate_hz: float = 50.0) -> Path:
    """An FFV1 video of grey (h, w) or colour (h, w, 3) pictures."""
    height, width = shown[0].shape[:2]
    code = cv2.VideoWriter.fourcc(*"FFV1")
    writer = cv2.VideoWriter(str(path), cv2.CAP_FFMPEG, code, rate_hz, (width, height))
    for picture in shown:
        writer.write(picture if picture.ndim == 3 else cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR))
    writer.release()
    return path


def write_times(path: Path, times_s: Sequence[float]) -> Path:
    """A CSV of frame times."""
    rows = "".join(f"{frame},{time_s:.6f}\n" for frame, time_s in enumerate(times_s))
    path.write_text("video_frame,host_time_s\n" + rows)
    return path
