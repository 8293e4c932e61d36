"""Every source against the one contract."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from capture.camera import Camera
from capture.camera_system import LINUX
from capture.clock import SteppedClock, SystemClock
from capture.http_camera import HttpCamera
from capture.paced import PacedSource
from capture.prepared import PreparedPictures, read_all
from capture.source import Source
from capture.video_file import open_video
from tests.capture.lying_camera import Lies, LyingBus
from tests.capture.source_contract import SIZE, Hurried, LiveSourceContract, SourceContract
from tests.capture.videos import jpegs, write_avi
from tests.faults.loopback_camera import LoopbackCamera

RATE_HZ = 100.0


class TestVideoFile(SourceContract):
    def deliver(self, packets: Sequence[bytes], folder: Path, stack: ExitStack) -> Source:
        return open_video(write_avi(folder / "v.avi", packets, size=SIZE))


class TestPacedFile(SourceContract):
    """A file in real time, on a clock that the waiting itself moves on."""

    def deliver(self, packets: Sequence[bytes], folder: Path, stack: ExitStack) -> Source:
        return PacedSource(open_video(write_avi(folder / "v.avi", packets, size=SIZE)), Hurried())


class TestHttpCamera(LiveSourceContract):
    headers, content_length = True, True

    def deliver(self, packets: Sequence[bytes], folder: Path, stack: ExitStack) -> Source:
        self.server = stack.enter_context(
            LoopbackCamera(
                packets, RATE_HZ, tagged=False, headers=self.headers, content_length=self.content_length
            )
        )
        return HttpCamera(self.server.url, SystemClock(), reconnect_s=10)  # longer than the tests wait

    def fall_silent(self) -> None:
        self.server.inject("stall", 60.0)

    def pass_time(self, seconds: float) -> None:
        time.sleep(seconds)

    def wake(self) -> None:
        """A close ends the read by itself."""


class TestHttpCameraWithoutHeaders(TestHttpCamera):
    headers, content_length = False, False


class TestCamera(LiveSourceContract):
    tells_time = True

    def deliver(self, packets: Sequence[bytes], folder: Path, stack: ExitStack) -> Source:
        self.clock = SteppedClock()
        self.bus = LyingBus(packets, self.clock, Lies(tells_time=self.tells_time))
        stack.callback(lambda: self._released())
        return Camera("SN-4711", self.clock, find=self.bus.find, open_device=self.bus.open, system=LINUX)

    def _released(self) -> None:
        assert self.bus.all_released

    def fall_silent(self) -> None:
        self.bus.lies.block = threading.Event()

    def pass_time(self, seconds: float) -> None:
        assert self.bus.lies.blocked.wait(5)
        self.clock.step(seconds)

    def wake(self) -> None:
        assert self.bus.lies.block is not None
        self.bus.lies.block.set()


class TestCameraWithoutTimes(TestCamera):
    tells_time = False


def test_prepared_pictures_come_in_a_circle(tmp_path: Path) -> None:
    frames = read_all(open_video(write_avi(tmp_path / "v.avi", jpegs(3, SIZE), size=SIZE)))
    shown = read_all(PreparedPictures(frames, 250.0, 7))
    assert [frame.encoded for frame in shown] == [frames[k % 3].encoded for k in range(7)]
    assert [frame.number for frame in shown] == list(range(7))
    assert [frame.time_s for frame in shown] == [k / 250 for k in range(7)]
