"""`kill -9` of the recorder's process at moments drawn evenly from its start to the seal.

What was acknowledged, at or below the committed numbers last published in shared memory, is back and is what
the sender's own log says; at most 0.5 s before the kill is lost.
"""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import numpy as np
import pytest

from capture.samples import EYES
from recordings.commands import Start
from recordings.info import Circumstances
from recordings.live_recorder import LOOK_S
from recordings.recorder_process import RecorderProcess
from recordings.sealed import Recording, open_recording
from recordings.sealing_process import Repair, left_overs
from recordings.shared_samples import CommittedRows
from recordings.verify import verify
from tests.capture.videos import jpegs
from tests.faults.live import compare_with_sender, plan, wait_for
from tests.faults.loopback_camera import Sent, read_log
from tests.faults.loopback_process import camera_process
from tests.recordings.making import SumTracker

pytestmark = pytest.mark.skipif(os.name == "nt", reason="Windows has no kill -9")

RECORDED_S, SEALED_S = 1.0, 1.0  # how long each run lasts where it is not killed
PACKETS = jpegs(50)
PATIENT = Start(Circumstances(training=True))


def run_and_kill(
    tmp_path: Path, at_s: float
) -> tuple[dict[str, CommittedRows], float, dict[str, list[Sent]]]:
    """Record two eyes, stop after a while, and kill the recorder at `at_s` after its start."""
    data = tmp_path / "data"
    with (
        camera_process(PACKETS, tmp_path, "right", rate_hz=100) as (right, right_log),
        camera_process(PACKETS, tmp_path, "left", rate_hz=100) as (left, left_log),
    ):
        recorder = RecorderProcess(plan(data, {"right": right, "left": left}), tracker_factory=SumTracker)
        pid = recorder.pid
        assert pid is not None
        recorder.start(PATIENT)
        began_s = time.perf_counter()
        time.sleep(min(at_s, RECORDED_S))
        if at_s > RECORDED_S:
            recorder.stop()
            time.sleep(max(began_s + at_s - time.perf_counter(), 0.0))
        os.kill(pid, signal.SIGKILL)
        killed_s = time.perf_counter()
        status = recorder.status()
        if status is not None:  # a pause that a busy machine made is not the recorder's
            killed_s -= max(killed_s - status.time_s - 2 * LOOK_S, 0.0)
        committed = {eye: recorder.reader.committed(eye) for eye in EYES}
        recorder.close()
    return committed, killed_s, {"right": read_log(right_log), "left": read_log(left_log)}


def assert_nothing_acknowledged_is_lost(
    recording: Recording, committed: dict[str, CommittedRows], sent: dict[str, list[Sent]], end_s: float
) -> None:
    for eye in EYES:
        rows, promised = recording.samples[eye], committed[eye]
        assert len(rows) >= promised.samples
        assert promised.samples == 0 or promised.sample_frame in rows["frame"]
        if len(rows) == 0:
            continue
        assert rows["frame"].max() >= promised.picture_frame
        wrong, missing = compare_with_sender(recording, eye, sent[eye])
        acknowledged = rows["frame"] <= promised.sample_frame
        assert (np.diff(rows["frame"][acknowledged]) == 1).all()
        assert (wrong, missing) == (0, 0)
        arrived = [one for one in sent[eye] if one.stamp_s < end_s - 0.5]
        if arrived and rows["device_time_s"][0] < arrived[-1].stamp_s:
            assert rows["device_time_s"][-1] >= arrived[-1].stamp_s - 1e-6


def kill_once(tmp_path: Path, at_s: float) -> None:
    committed, killed_s, sent = run_and_kill(tmp_path, at_s)
    data = tmp_path / "data"
    wait_for(lambda: _settled(data), 30)
    repair = Repair(data)
    assert repair.wait(60)
    (folder,) = [path for path in data.iterdir() if path.is_dir()]
    assert [left.problem for left in repair.found if left.problem] == []
    assert left_overs(data) == ()
    assert verify(folder).ok
    assert sorted(path.name for path in folder.iterdir()) == ["images.h5", "measurement.h5", "seal.json"]
    with open_recording(folder) as recording:
        assert recording.complete == (at_s > RECORDED_S)
        assert recording.complete or "recovered" in recording.info.ending
        end_s = min(killed_s, recording.info.host_time_of_zero_s + RECORDED_S)
        assert_nothing_acknowledged_is_lost(recording, committed, sent, end_s)


def _settled(data: Path) -> bool:
    """Whether a sealing child that goes on by itself has ended: nobody changes the folder any more."""
    (folder,) = [path for path in data.iterdir() if path.is_dir()]
    before = {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}
    time.sleep(1.0)
    return before == {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}


@pytest.mark.parametrize("at_s", [0.02, 0.6, 1.3])
def test_killed_at_some_moments(tmp_path: Path, at_s: float) -> None:
    kill_once(tmp_path, at_s)


@pytest.mark.release
@pytest.mark.timeout(7200)
def test_killed_at_two_hundred_moments(tmp_path: Path) -> None:
    for n in range(200):
        (run := tmp_path / str(n)).mkdir()
        kill_once(run, (n + 0.5) / 200 * (RECORDED_S + SEALED_S))
