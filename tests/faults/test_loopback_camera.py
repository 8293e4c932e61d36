"""The loopback camera as a process: its log is what arrives, whatever fault it was told to make."""

from __future__ import annotations

import hashlib
import time
from itertools import pairwise
from pathlib import Path

import pytest

from capture.clock import SystemClock
from capture.http_camera import HttpCamera
from capture.samples import Frame
from tests.capture.videos import jpegs
from tests.faults.loopback_camera import Sent, read_log, split, tagged
from tests.faults.loopback_process import camera_process

PACKETS = jpegs(25)


def read_for(url: str, seconds: float) -> list[Frame]:
    camera = HttpCamera(url, SystemClock(), reconnect_s=0.4)
    frames = []
    end_s = time.perf_counter() + seconds
    while time.perf_counter() < end_s and (frame := camera.read()) is not None:
        frames.append(frame)
    camera.close()
    return frames


def assert_same(frames: list[Frame], sent: list[Sent]) -> None:
    """Every picture that was sent before the reader left arrived, in order, with its bytes."""
    arrived = [hashlib.sha256(frame.encoded or b"").hexdigest() for frame in frames]
    assert arrived == [one.sha256 for one in sent[: len(arrived)]]
    assert len(set(arrived)) == len(arrived)


def test_prepared_pictures_survive_their_file() -> None:
    assert split(b"".join(PACKETS)) == PACKETS
    assert len({tagged(PACKETS[0], number) for number in range(100)}) == 100


@pytest.mark.parametrize("options", ["", "--no-headers --no-content-length", "--busy-neighbours 2"])
def test_the_log_is_what_arrives(tmp_path: Path, options: str) -> None:
    with camera_process(PACKETS, tmp_path, options=options) as (url, log):
        frames = read_for(url, 0.8)
    assert len(frames) > 100
    assert_same(frames, read_log(log))


def test_faults_on_command(tmp_path: Path) -> None:
    """A stall of 0.3 s, then a freeze of 0.3 s."""
    with camera_process(PACKETS, tmp_path, options="--fault stall:0.3:0.3 --fault freeze:0.9:0.3") as (
        url,
        log,
    ):
        frames = read_for(url, 1.5)
    sent = read_log(log)
    assert_same(frames, sent)
    assert [frame.number - frames[0].number for frame in frames] == [
        one.number - sent[0].number for one in sent[: len(frames)]
    ]
    steps = [later.number - before.number for before, later in pairwise(frames)]
    assert max(steps) >= 70  # 75 pictures at 250/s, the ends not sharp
    assert sum(frame.repeated for frame in frames) >= 60


def test_it_vanishes_and_returns_at_its_port(tmp_path: Path) -> None:
    with camera_process(PACKETS, tmp_path, options="--fault vanish:0.3:0.4") as (url, log):
        frames = read_for(url, 1.2)
    steps = [later.number - before.number for before, later in pairwise(frames)]
    assert max(steps) >= 95
    last = frames[-1]
    stamps = {one.sha256: one.stamp_s for one in read_log(log)}
    assert last.device_time_s == pytest.approx(
        stamps[hashlib.sha256(last.encoded or b"").hexdigest()], abs=1e-6
    )
