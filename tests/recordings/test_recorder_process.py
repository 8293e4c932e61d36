"""The recorder in its own process: commands, shared memory, and what happens when either side dies."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from capture.clock import SystemClock
from capture.errors import CameraNotFound
from recordings import recorder_process
from recordings.errors import RecordingError
from recordings.event import Event
from recordings.recorder_process import RecorderProcess, end_orphans
from recordings.sealed import open_recording
from recordings.verify import verify
from tests.capture.videos import jpegs
from tests.conftest import ROOT
from tests.faults.live import (
    BENCH,
    ToldCamera,
    assert_is_what_was_sent,
    compare_with_sender,
    plan,
    sealed,
    told_recorder,
    wait_for,
)
from tests.faults.loopback_camera import LoopbackCamera
from tests.recordings.making import SumTracker

PACKETS = jpegs(50)
PARENT = """
import sys, time
from pathlib import Path
from recordings.recorder_process import RecorderProcess
from tests.faults.live import BENCH, plan
from tests.recordings.making import SumTracker

if __name__ == "__main__":
    recorder = RecorderProcess(plan(Path(sys.argv[1]), {"right": sys.argv[2]}), tracker_factory=SumTracker)
    recorder.start(BENCH)
    print(recorder.pid, flush=True)
    time.sleep(60)
"""


def recorder_of(data: Path, url: str) -> RecorderProcess:
    return RecorderProcess(plan(data, {"right": url}), tracker_factory=SumTracker)


def test_a_window_sees_and_steers_it(tmp_path: Path) -> None:
    with LoopbackCamera(PACKETS, 100) as camera, recorder_of(tmp_path, camera.url) as recorder:
        wait_for(lambda: recorder.reader.written("right") > 10)
        picture = recorder.reader.picture("right")
        assert picture is not None
        assert picture.image.shape == (48, 64)
        folder = recorder.start(BENCH)
        now_s = SystemClock().now_s()
        recorder.mark(Event(now_s, now_s, "note", "here"))
        wait_for(lambda: recorder.reader.committed("right").samples > 30)
        with pytest.raises(RecordingError, match="Stop it first"):
            recorder.start(BENCH)
        assert recorder.stop() == folder
        rows, end = recorder.reader.samples("right")
        assert end >= rows["frame"][-1]
        wait_for(lambda: folder.name in getattr(recorder.status(), "sealed", ()), 30)
        with open_recording(folder) as recording:
            assert recording.complete
            assert [event.text for event in recording.events] == ["here"]
            assert recording.info.eyes["right"].clock_used in ("camera", "host")
            assert compare_with_sender(recording, "right", camera.sent) == (0, 0)
            recorded = recording.samples["right"]
            shown = dict(zip(rows["frame"].tolist(), rows["x_px"].tolist(), strict=True))
            seen = [shown[n] for n in recorded["frame"].tolist() if n in shown]
            assert seen == recorded["x_px"][np.isin(recorded["frame"], list(shown))].tolist()
            assert len(seen) > 30
    recorder.close()


def test_what_goes_wrong_there_is_raised_here(tmp_path: Path) -> None:
    with pytest.raises(CameraNotFound, match="No camera answers"):
        recorder_of(tmp_path, "http://127.0.0.1:9/")
    assert not multiprocessing.active_children()


@pytest.mark.skipif(os.name == "nt", reason="Windows has no kill -9")
def test_a_recorder_that_died_is_told_and_what_it_had_is_safe(tmp_path: Path) -> None:
    with LoopbackCamera(PACKETS, 100) as camera, recorder_of(tmp_path, camera.url) as recorder:
        recorder.start(BENCH)
        assert recorder.pid is not None
        os.kill(recorder.pid, signal.SIGKILL)
        with pytest.raises(RecordingError, match="safe in its journal"):
            recorder.stop()
        wait_for(lambda: not recorder.is_alive())


@pytest.mark.skipif(os.name == "nt", reason="Windows has no kill -9")
def test_a_recording_outlives_its_window_until_a_new_one_ends_it(tmp_path: Path) -> None:
    with LoopbackCamera(PACKETS, 100) as camera:
        window = subprocess.Popen(
            [sys.executable, "-c", PARENT, str(tmp_path), camera.url],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            cwd=ROOT,
        )
        assert window.stdout is not None
        pid = int(window.stdout.readline())
        time.sleep(0.4)
        window.kill()
        window.wait()
        killed_s = time.perf_counter()
        window.stdout.close()
        time.sleep(1.0)
        assert end_orphans(tmp_path, 30) == 1
        ended_s = time.perf_counter()
        wait_for(lambda: not Path(f"/proc/{pid}").exists() or _is_zombie(pid), 30)
        (folder,) = tmp_path.iterdir()
        assert verify(folder).ok
        with open_recording(folder) as recording:
            assert recording.info.ending == "the program that began it ended first"
            last_s = recording.info.host_time_of_zero_s + recording.samples["right"]["time_s"][-1]
            assert killed_s + 0.8 < last_s < ended_s
            assert compare_with_sender(recording, "right", camera.sent) == (0, 0)
    assert end_orphans(tmp_path) == 0


def _is_zombie(pid: int) -> bool:
    return ") Z" in Path(f"/proc/{pid}/stat").read_text()


def test_a_recording_whose_window_lives_takes_no_notice_of_another(tmp_path: Path) -> None:
    with LoopbackCamera(PACKETS, 100) as camera, recorder_of(tmp_path, camera.url) as recorder:
        recorder.start(BENCH)
        before = recorder.reader.written("right")
        assert end_orphans(tmp_path, 0.5) == 1
        wait_for(lambda: recorder.reader.written("right") > before + 10)
        status = recorder.status()
        assert status is not None
        assert status.state == "recording"
        recorder.stop()


@pytest.mark.usefixtures("seal_here")
def test_without_its_window_a_recording_goes_on_for_a_while_and_ends_by_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert recorder_process.ORPHAN_S <= 60.0
    monkeypatch.setattr(recorder_process, "ORPHAN_S", 0.5)
    cameras: dict[str, ToldCamera] = {}
    with told_recorder(tmp_path, cameras, "right") as recorder:
        recorder.open()
        recorder_process._end_alone(recorder)  # nothing goes on: at once
        folder = recorder.start(BENCH)
        died_s = SystemClock().now_s()
        recorder_process._end_alone(recorder)
        with sealed(recorder, folder) as recording:
            assert recording.info.ending == "the program that began it ended first"
            rows = recording.samples["right"]
            last_s = recording.info.host_time_of_zero_s + rows["time_s"][-1]
            assert died_s + 0.4 < last_s < died_s + 1.5
            assert_is_what_was_sent(recording, "right", cameras["told:0"])
