from __future__ import annotations

import threading
import time

import numpy as np
import pytest

from capture.clock import SystemClock
from capture.live import SIGNAL_LOST_S
from capture.paced import PacedSource
from capture.prepared import PreparedPictures
from capture.samples import NAN, Frame
from tests.capture.source_contract import Hurried

RANDOM = np.random.default_rng(0)
FRAMES = [Frame(k, k / 100, NAN, RANDOM.integers(0, 255, (24, 32), np.uint8)) for k in range(10)]


def test_a_picture_is_there_when_it_is_due() -> None:
    clock = Hurried(time_s=50.0)
    source = PacedSource(PreparedPictures(FRAMES, 100.0, 30), clock)
    seen = []
    while (frame := source.read()) is not None:
        seen.append((frame.time_s, clock.now_s()))
    assert [due for due, _ in seen] == pytest.approx([50 + k / 100 for k in range(30)])
    assert [now - due for due, now in seen] == pytest.approx([0.0] * 30)


def test_in_real_time() -> None:
    source = PacedSource(PreparedPictures(FRAMES, 100.0, 40), SystemClock())
    start_s = time.perf_counter()
    late_s = []
    while (frame := source.read()) is not None:
        late_s.append(time.perf_counter() - frame.time_s)
    assert time.perf_counter() - start_s == pytest.approx(0.4, abs=0.1)
    assert min(late_s) >= 0
    assert np.median(late_s) < 0.005


def test_who_reads_too_late_loses_frames_and_sees_it() -> None:
    """A pause of 2 s: half a second is kept, the rest is lost, and the numbers say so."""
    clock = Hurried()
    source = PacedSource(PreparedPictures(FRAMES, 100.0, 1000), clock, kept_s=0.5)
    frames = [source.read() for _ in range(10)]
    clock.step(1.995)
    frames += [source.read() for _ in range(100)]
    numbers = [frame.number for frame in frames if frame is not None]
    assert max(np.diff(numbers)) == 150  # at 2.085 s frames 10 to 158 are more than 0.5 s old
    assert len(numbers) == 110


def test_silence_and_close_from_outside() -> None:
    """A file with a gap of a minute: the reader waits, the watchdog sees it, close ends the wait."""
    gap = [FRAMES[0], FRAMES[1]._replace(time_s=60.0)]

    class Gap(PreparedPictures):
        def read(self) -> Frame | None:
            return gap.pop(0) if gap else None

    source = PacedSource(Gap(FRAMES, 100.0, 2), SystemClock())
    assert source.read() is not None
    reader = threading.Thread(target=source.read)
    reader.start()
    time.sleep(SIGNAL_LOST_S + 0.05)
    assert source.silence_s() > SIGNAL_LOST_S
    source.close()
    reader.join(timeout=2)
    assert not reader.is_alive()
    assert source.read() is None


def test_nothing_to_show_is_an_error() -> None:
    with pytest.raises(ValueError, match="at least one frame"):
        PreparedPictures([], 100.0, 5)
    with pytest.raises(ValueError, match="positive rate"):
        PreparedPictures(FRAMES, 0.0, 5)
