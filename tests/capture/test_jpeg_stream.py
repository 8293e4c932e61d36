from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.jpeg_stream import JpegStream
from tests.capture.videos import jpegs
from tests.faults.loopback_camera import tagged

PACKETS = [tagged(packet, number) for number, packet in enumerate(jpegs(6))]


def part(packet: bytes, head: bytes = b"") -> bytes:
    return b"--frame\r\nContent-Type: image/jpeg\r\n" + head + b"\r\n" + packet + b"\r\n"


def read(data: bytes, *cuts: int) -> list[bytes]:
    stream = JpegStream()
    edges = [0, *sorted(cuts), len(data)]
    pieces = (data[a:b] for a, b in pairwise(edges))
    return [picture.encoded for piece in pieces for picture in stream.feed(piece)]


@given(st.lists(st.integers(0, sum(map(len, PACKETS)) + 300), max_size=12))
def test_however_the_bytes_are_cut_the_pictures_are_the_same(cuts: list[int]) -> None:
    data = b"".join(map(part, PACKETS))
    assert read(data, *(min(cut, len(data)) for cut in cuts)) == PACKETS


def test_one_byte_after_the_other() -> None:
    data = b"".join(map(part, PACKETS[:2]))
    assert read(data, *range(1, len(data))) == PACKETS[:2]


def test_a_picture_is_there_with_its_last_byte() -> None:
    """No waiting for the boundary that comes with the next picture."""
    stream = JpegStream()
    assert stream.feed(part(PACKETS[0])[:-3]) == []
    assert [picture.encoded for picture in stream.feed(b"\xd9")] == PACKETS[:1]
    assert not stream.in_picture


@pytest.mark.parametrize("head", [b"Content-Length: 12\r\n", b"Content-Length: 99999999\r\n", b"X: y\r\n"])
def test_a_false_length_does_no_harm(head: bytes) -> None:
    assert read(b"".join(part(packet, head) for packet in PACKETS)) == PACKETS


def test_a_thumbnail_inside_is_not_a_picture() -> None:
    """An application segment with a whole small JPEG in it, as an EXIF thumbnail."""
    thumbnail = b"Exif\0\0" + jpegs(1, (16, 16))[0]
    segment = b"\xff\xe1" + (len(thumbnail) + 2).to_bytes(2, "big") + thumbnail
    packet = PACKETS[0][:2] + segment + PACKETS[0][2:]
    assert read(part(packet) + part(PACKETS[1])) == [packet, PACKETS[1]]


@pytest.mark.parametrize("kept", [2, 10, 400, -2])
def test_a_cut_picture_is_left_out_and_counted(kept: int) -> None:
    stream = JpegStream()
    data = part(PACKETS[0]) + part(PACKETS[1][:kept], b"Frame-Number: 1\r\n") + part(PACKETS[2])
    assert [picture.encoded for picture in stream.feed(data)] == [PACKETS[0], PACKETS[2]]
    assert stream.spoiled == 1


def test_headers_come_with_their_picture() -> None:
    stream = JpegStream()
    pictures = stream.feed(b"".join(part(p, b"Frame-Number: %d\r\n" % k) for k, p in enumerate(PACKETS)))
    assert [b"Frame-Number: %d\r\n" % k in picture.before for k, picture in enumerate(pictures)] == [True] * 6


@given(st.binary(max_size=4000))
def test_no_bytes_break_it(noise: bytes) -> None:
    """Whatever comes, whole pictures behind it are found again at the latest after the next one."""
    stream = JpegStream()
    stream.feed(noise)
    found = [picture.encoded for _ in range(40) for picture in stream.feed(part(PACKETS[3]))]
    assert found[-1].endswith(PACKETS[3])


def test_an_endless_picture_does_not_fill_memory() -> None:
    stream = JpegStream()
    random = np.random.default_rng(0)
    block = random.integers(0, 200, 1 << 20, np.uint8).tobytes()
    stream.feed(PACKETS[0][:-2])
    for _ in range(20):
        stream.feed(block)
    assert stream.spoiled == 1
    assert len(stream._buffer) < 1 << 20
    assert [picture.encoded for picture in stream.feed(part(PACKETS[1]))] == [PACKETS[1]]


def test_endless_text_does_not_fill_memory() -> None:
    stream = JpegStream()
    for _ in range(50):
        stream.feed(b"x" * 10_000)
    assert len(stream._buffer) <= 1 << 16
    assert [picture.encoded for picture in stream.feed(part(PACKETS[1]))] == [PACKETS[1]]
