"""What the live recorder costs a frame beside tracking, and what a reader of its memory pays.

The whole under full load: `.venv/bin/python -m tests.bench.live_soak --seconds 600`.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from capture.clock import SystemClock
from capture.samples import NAN, NO_PUPIL, Frame, Tracked
from recordings.camera_watch import CameraWatch
from recordings.journal import pack_sample
from recordings.live_recorder import LiveRecorder
from recordings.shared_samples import SharedReader, SharedWriter
from tests.faults.live import BENCH, plan
from tests.recordings.making import SumTracker

IMAGE = np.random.default_rng(0).integers(0, 256, (240, 320), dtype=np.uint8)
FRAMES = [Frame(n, n / 250, NAN, IMAGE) for n in range(200)]
ROWS = [pack_sample("right", frame, Tracked(NO_PUPIL, NAN, 0.0)) for frame in FRAMES]


@pytest.fixture
def both() -> Iterator[tuple[SharedWriter, SharedReader]]:
    writer = SharedWriter({"right": (320, 240)}, {"right": 0})
    reader = SharedReader(writer.plan)
    yield writer, reader
    reader.close()
    writer.close()


def test_showing_200_frames(benchmark: BenchmarkFixture, both: tuple[SharedWriter, SharedReader]) -> None:
    """Picture, sample and watch; budget 0.05 ms a frame."""
    writer, _ = both
    watch = CameraWatch(SystemClock(), 250.0, None, 1)

    def show() -> None:
        for frame, row in zip(FRAMES, ROWS, strict=True):
            writer.picture(("right",), frame)
            writer.sample(row)
            watch.saw(frame)

    benchmark(show)
    assert benchmark.stats["median"] < 200 * 0.05e-3


def test_a_window_reads_new_samples_and_a_picture(
    benchmark: BenchmarkFixture, both: tuple[SharedWriter, SharedReader]
) -> None:
    """As a window does 30 times a second; budget 1 ms."""
    writer, reader = both
    writer.picture(("right",), FRAMES[0])
    for row in ROWS:
        writer.sample(row)
    benchmark(lambda: (reader.samples("right", 190), reader.picture("right")))
    assert benchmark.stats["median"] < 1e-3


def test_processor_time_beside_tracking(benchmark: BenchmarkFixture, tmp_path: Path) -> None:
    """Simulated pictures at 250/s, JPEG made here, a tracker that costs nothing; budget 1 ms a frame."""
    recorder = LiveRecorder(
        plan(tmp_path, {"right": "simulated:right"}), clock=SystemClock(), tracker_factory=SumTracker
    )
    spent: list[float] = []

    def run() -> None:
        recorder.start(BENCH)
        began_s, before = time.process_time(), recorder.status().cameras[0].frames
        time.sleep(5.0)
        spent.append((time.process_time() - began_s) / (recorder.status().cameras[0].frames - before))
        recorder.stop()

    with recorder:
        recorder.open()
        benchmark.pedantic(run, rounds=2)
    benchmark.extra_info["cpu_ms_per_frame"] = 1e3 * min(spent)
    assert min(spent) < 1e-3
