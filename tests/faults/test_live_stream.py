"""A camera of its own process before the live recorder: the sender's log decides what was lost and when."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from capture.clock import SystemClock
from recordings.errors import StorageError
from recordings.live_recorder import LiveRecorder
from recordings.sealed import open_recording
from recordings.sealing_process import seal_left_overs
from recordings.space import SpaceRule
from recordings.status import CameraStatus, Status
from tests.capture.videos import jpegs
from tests.faults.live import BENCH, compare_with_sender, plan, wait_for
from tests.faults.loopback_camera import LoopbackCamera, read_log
from tests.faults.loopback_process import camera_process
from tests.recordings.conftest import seal_here
from tests.recordings.making import NO_SPARE, SumTracker

__all__ = ["seal_here"]  # a fixture
pytestmark = pytest.mark.usefixtures("seal_here")
PACKETS = jpegs(50)
NO_RULE = SpaceRule(times_expected=0.0, spare_bytes=0, stop_bytes=0)


@contextmanager
def recording_from(data: Path, url: str, rule: SpaceRule = NO_SPARE) -> Iterator[LiveRecorder]:
    asked = replace(plan(data, {"right": url}), rule=rule)
    recorder = LiveRecorder(asked, clock=SystemClock(), tracker_factory=SumTracker)
    with recorder:
        recorder.open()
        recorder.start(BENCH)
        yield recorder


def test_60_frames_a_second_beside_a_busy_neighbour(tmp_path: Path) -> None:
    """One that takes all it gets of each core."""
    busy = f"--busy-neighbours {os.cpu_count()}"
    with (
        camera_process(PACKETS, tmp_path, rate_hz=60, options=busy) as (url, log),
        recording_from(tmp_path / "data", url) as recorder,
    ):
        time.sleep(2.0)
        folder = recorder.stop()
    with open_recording(folder) as recording:
        assert compare_with_sender(recording, "right", read_log(log)) == (0, 0)
        assert recording.info.eyes["right"].lost == 0
        assert len(recording.samples["right"]) > 60


@pytest.mark.parametrize(
    ("fault", "signal"), [("stall", "silent"), ("vanish", "silent"), ("freeze", "frozen"), ("copy", "frozen")]
)
def test_what_befalls_the_camera_is_noticed_and_its_gap_is_true(
    tmp_path: Path, fault: str, signal: str
) -> None:
    with LoopbackCamera(PACKETS, 100) as camera:
        with recording_from(tmp_path, camera.url) as recorder:
            time.sleep(0.5)
            began_s = time.perf_counter()
            camera.inject(fault, 0.8)
            wait_for(lambda: _camera(recorder.status()).signal == signal)
            noticed_s = time.perf_counter() - began_s
            wait_for(lambda: _camera(recorder.status()).signal == "good")
            time.sleep(0.3)
            folder = recorder.stop()
        with open_recording(folder) as recording:
            rows, info = recording.samples["right"], recording.info.eyes["right"]
            sent = {one.stamp_s: one.number for one in camera.sent}
            if fault != "copy":  # its bytes cannot tell one copy from another
                assert compare_with_sender(recording, "right", camera.sent) == (0, 0)
    assert noticed_s < 0.5
    numbers = [sent[stamp_s] for stamp_s in _nearest(list(sent), rows["device_time_s"])]
    assert (np.diff(rows["frame"]) == np.diff(numbers)).all()  # every gap is the sender's own
    if signal == "silent":
        assert info.lost == int((np.diff(numbers) - 1).sum()) >= 70
        assert np.diff(rows["time_s"]).max() == pytest.approx(np.diff(numbers).max() / 100, abs=0.01)
    else:
        assert info.repeated >= 70


def _camera(status: Status) -> CameraStatus:
    return status.cameras[0]


def _nearest(stamps_s: list[float], told_s: np.ndarray) -> list[float]:
    """The sender's stamps that were told, rounded, with the pictures."""
    known = np.array(stamps_s)
    return [float(known[np.argmin(np.abs(known - one))]) for one in told_s]


@pytest.mark.long
def test_a_stall_of_ten_seconds_and_back(tmp_path: Path) -> None:
    with LoopbackCamera(PACKETS, 100) as camera:
        with recording_from(tmp_path, camera.url) as recorder:
            time.sleep(0.5)
            camera.inject("stall", 10.0)
            time.sleep(11.0)
            folder = recorder.stop()
        with open_recording(folder) as recording:
            assert compare_with_sender(recording, "right", camera.sent) == (0, 0)
            assert 985 <= recording.info.eyes["right"].lost <= 1015
            assert recording.complete


@pytest.mark.skipif(getattr(os, "geteuid", lambda: 1)() != 0, reason="only root may mount a small disk")
@pytest.mark.parametrize("mebibytes", [6, 20])
def test_a_small_disk_that_fills(tmp_path: Path, mebibytes: int) -> None:
    """Said within a second of the last commit, nothing acknowledged is lost, and it goes on later."""
    (disk := tmp_path / "disk").mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={mebibytes}m", "driftbeat-test", str(disk)], check=False
    )
    if mounted.returncode:
        pytest.skip("this machine mounts nothing, even for root")
    try:
        big = jpegs(20, (320, 240))  # noise: so 6 MB/s
        with LoopbackCamera(big, 100) as camera:
            with recording_from(disk, camera.url, NO_RULE) as recorder:
                wait_for(lambda: recorder.status().state == "broken off", 30)
                status = recorder.status()
                assert status.journal is not None
                assert status.journal.unsaved_s < 1.0 + 0.25
                acknowledged = status.journal.committed["right"]
                with pytest.raises(StorageError, match="safe in"):
                    recorder.stop()
            assert acknowledged > 0
            (ballast,) = [path for path in disk.iterdir() if path.is_dir()]
            moved = tmp_path / "elsewhere" / ballast.name
            moved.parent.mkdir()
            subprocess.run(["mv", str(ballast), str(moved)], check=True)  # that is: space is freed
            (left,) = seal_left_overs(moved.parent)
            assert left.problem == ""
            with open_recording(moved) as recording:
                assert len(recording.samples["right"]) >= acknowledged
                assert compare_with_sender(recording, "right", camera.sent) == (0, 0)
            with recording_from(disk, camera.url, NO_RULE) as recorder:
                time.sleep(0.2)
                folder = recorder.stop()
                assert recorder.wait_sealed(30)
            with open_recording(folder) as recording:
                assert recording.complete
    finally:
        subprocess.run(["umount", str(disk)], check=True)
