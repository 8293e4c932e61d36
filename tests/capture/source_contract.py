"""What every source of frames does, as tests that each source's own tests inherit.

A subclass says how its source is made to deliver given JPEG packets (`deliver`); a live one also says how
it is silenced, and how it goes away and comes back.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path

import cv2
import numpy as np
import pytest

from capture.clock import SteppedClock
from capture.errors import SourceError
from capture.live import LiveSource
from capture.samples import Frame
from capture.source import Source
from tests.capture.videos import jpegs, pictures

SIZE = (64, 48)
Open = Callable[[Sequence[bytes]], Source]


def read_frames(source: Source, count: int) -> list[Frame]:
    frames = [source.read() for _ in range(count)]
    assert all(frame is not None for frame in frames)
    return [frame for frame in frames if frame is not None]


def decoded(packet: bytes) -> np.ndarray:
    return cv2.imdecode(np.frombuffer(packet, np.uint8), cv2.IMREAD_GRAYSCALE)


class Hurried(SteppedClock):
    """Moved on by whoever waits for it."""

    def sleep(self, seconds: float) -> None:
        self.step(seconds)


class SourceContract:
    """For every source."""

    def deliver(self, packets: Sequence[bytes], folder: Path, stack: ExitStack) -> Source:
        """A source that delivers these JPEGs in this order; `stack` closes what else was opened."""
        raise NotImplementedError

    @pytest.fixture
    def open_packets(self, tmp_path: Path) -> Iterator[Open]:
        with ExitStack() as stack:

            def open_packets(packets: Sequence[bytes]) -> Source:
                source = self.deliver(packets, tmp_path, stack)
                stack.callback(source.close)
                return source

            yield open_packets

    def test_pictures_come_as_they_were_sent(self, open_packets: Open) -> None:
        packets = jpegs(8, SIZE)
        source = open_packets(packets)
        frames = read_frames(source, 8)
        assert (source.info.width_px, source.info.height_px) == SIZE
        assert [frame.encoded for frame in frames] == packets
        for frame, packet in zip(frames, packets, strict=True):
            assert frame.image.dtype == np.uint8
            assert np.array_equal(frame.image, decoded(packet))
            with pytest.raises(ValueError, match="read-only"):
                frame.image[0, 0] = 1

    def test_numbers_count_and_times_never_fall(self, open_packets: Open) -> None:
        frames = read_frames(open_packets(jpegs(20, SIZE)), 20)
        assert [frame.number for frame in frames] == list(range(frames[0].number, frames[0].number + 20))
        assert (np.diff([frame.time_s for frame in frames]) >= 0).all()  # two may arrive together
        assert not any(frame.repeated for frame in frames)

    @pytest.mark.parametrize("spoil", [lambda data: data[: len(data) // 2], lambda data: data[:2]])
    def test_a_spoiled_picture_is_a_jump_not_half_a_picture(
        self, open_packets: Open, spoil: Callable[[bytes], bytes]
    ) -> None:
        packets = jpegs(12, SIZE)
        frames = read_frames(open_packets([*packets[:6], spoil(packets[6]), *packets[7:]]), 11)
        steps = np.diff([frame.number for frame in frames]).tolist()
        assert steps == [1, 1, 1, 1, 1, 2, 1, 1, 1, 1]
        assert [frame.encoded for frame in frames] == packets[:6] + packets[7:]

    def test_a_picture_that_came_twice_is_repeated(self, open_packets: Open) -> None:
        packets = jpegs(4, SIZE)
        twice = [packets[0], packets[1], packets[1], packets[1], packets[2], packets[3]]
        frames = read_frames(open_packets(twice), 6)
        assert [frame.repeated for frame in frames] == [False, False, True, True, False, False]

    def test_three_equal_channels_are_grey(self, open_packets: Open) -> None:
        shown = pictures(2, SIZE)
        equal = [cv2.imencode(".jpg", cv2.cvtColor(p, cv2.COLOR_GRAY2BGR))[1].tobytes() for p in shown]
        assert [frame.image.ndim for frame in read_frames(open_packets(equal), 2)] == [2, 2]

    def test_colour_is_refused_and_the_frames_before_are_good(self, open_packets: Open) -> None:
        packets = jpegs(3, SIZE)
        colour = np.zeros((*SIZE[::-1], 3), np.uint8)
        colour[..., 2] = 200
        source = open_packets([*packets, cv2.imencode(".jpg", colour)[1].tobytes()])
        assert [frame.encoded for frame in read_frames(source, 3)] == packets
        with pytest.raises(SourceError, match=r"[Ii]nfrared"):
            source.read()

    def test_another_size_is_refused_and_the_frames_before_are_good(self, open_packets: Open) -> None:
        packets = jpegs(3, SIZE)
        source = open_packets([*packets, *jpegs(1, (32, 24))])
        assert [frame.encoded for frame in read_frames(source, 3)] == packets
        with pytest.raises(SourceError, match="32x24"):
            source.read()

    def test_closing_twice_is_no_error(self, open_packets: Open) -> None:
        source = open_packets(jpegs(3, SIZE))
        source.close()
        source.close()


class LiveSourceContract(SourceContract):
    """For every live source, besides."""

    def fall_silent(self) -> None:
        """From now on the source sends nothing, and its read blocks."""
        raise NotImplementedError

    def pass_time(self, seconds: float) -> None:
        """Let time pass on the source's clock."""
        raise NotImplementedError

    def wake(self) -> None:
        """Let a blocked read go on (a driver returns at last)."""
        raise NotImplementedError

    @pytest.fixture
    def live(self, open_packets: Open) -> LiveSource:
        source = open_packets(jpegs(40, SIZE))
        assert hasattr(source, "settings")
        return source  # pyright: ignore[reportReturnType]  # judged by the tests below

    def test_after_close_there_is_nothing(self, live: LiveSource) -> None:
        read_frames(live, 2)
        live.close()
        assert live.read() is None

    def test_a_source_that_was_never_read_can_be_closed(self, live: LiveSource) -> None:
        live.close()
        assert live.read() is None

    def test_silence_is_noticed_within_500_ms_while_a_read_blocks(self, live: LiveSource) -> None:
        read_frames(live, 5)
        assert live.silence_s() < 0.2
        self.fall_silent()
        reader = threading.Thread(target=_read_on, args=(live,))
        reader.start()
        self.pass_time(0.5)
        silence_s = live.silence_s()
        live.close()
        self.wake()
        reader.join(timeout=5)
        assert not reader.is_alive()
        assert silence_s > 0.3

    def test_close_does_not_wait_for_a_blocked_read(self, live: LiveSource) -> None:
        read_frames(live, 2)
        self.fall_silent()
        reader = threading.Thread(target=_read_on, args=(live,))
        reader.start()
        self.pass_time(0.1)
        start = time.perf_counter()
        live.close()
        took_s = time.perf_counter() - start
        self.wake()
        reader.join(timeout=5)
        assert not reader.is_alive()
        assert took_s < 0.1


def _read_on(source: Source) -> None:
    while source.read() is not None:
        pass
