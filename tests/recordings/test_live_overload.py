"""A live recorder whose disk is slow or full, or whose computer is too slow."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from capture.clock import SystemClock
from capture.samples import EYES
from recordings.errors import StorageError
from recordings.live_recorder import LiveRecorder
from recordings.sealed import open_recording
from tests.faults.live import (
    BENCH,
    ToldCamera,
    assert_is_what_was_sent,
    plan,
    running,
    sealed,
    told_opener,
    wait_for,
)
from tests.recordings.making import SumTracker

pytestmark = pytest.mark.usefixtures("seal_here")


def test_a_disk_that_stalls_for_two_seconds_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from recordings.journal import Journal

    commit, stalls = Journal.commit, [2.0, 0.0, 0.0]

    def slow_commit(journal: Journal) -> None:
        if stalls:
            time.sleep(stalls.pop())
        commit(journal)

    monkeypatch.setattr(Journal, "commit", slow_commit)
    with running(tmp_path, "right", "left") as (recorder, cameras):
        folder = recorder.start(BENCH)
        time.sleep(1.5)
        journal = recorder.status().journal
        assert journal is not None
        assert journal.unsaved_s > 0.5
        assert journal.waiting_rows > 50
        time.sleep(1.4)
        recorder.stop()
        with sealed(recorder, folder) as recording:
            assert stalls == []
            for eye, camera in zip(EYES, cameras, strict=True):
                assert_is_what_was_sent(recording, eye, camera)
                assert recording.info.eyes[eye].lost == 0


def test_a_disk_that_is_too_slow_drops_pictures_never_samples(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from recordings import live_recorder
    from recordings.journal import Journal
    from recordings.journal_thread import QueueRule

    commit = Journal.commit
    monkeypatch.setattr(Journal, "commit", lambda journal: (time.sleep(0.5), commit(journal))[1])
    monkeypatch.setattr(live_recorder, "LIVE_QUEUE", QueueRule(True, 30_000, 750_000))  # ten pictures
    with running(tmp_path, "right") as (recorder, (camera,)):
        folder = recorder.start(BENCH)
        time.sleep(1.6)
        journal = recorder.status().journal
        assert journal is not None
        dropped = journal.pictures_dropped
        assert dropped > 20
        assert journal.waiting_bytes <= 30_000
        recorder.stop()
        with sealed(recorder, folder) as recording:
            rows, info = recording.samples["right"], recording.info.eyes["right"]
            sent = [f.number for f in camera.sent if rows["frame"][0] <= f.number <= rows["frame"][-1]]
            assert rows["frame"].tolist() == sent
            assert info.pictures_dropped == info.frames - info.pictures >= dropped
            assert info.lost == 0
            assert not np.isnan(rows["x_px"]).any()


def test_a_tracker_that_is_too_slow_keeps_every_frame_and_invents_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from recordings import camera_threads

    class SlowTracker(SumTracker):
        def track(self, image: Any) -> Any:
            time.sleep(0.04)
            return super().track(image)

    monkeypatch.setattr(camera_threads, "LIVE_BYTES", 5 * 64 * 48)
    cameras: dict[str, ToldCamera] = {}
    recorder = LiveRecorder(
        plan(tmp_path, {"right": "told:0"}),
        clock=SystemClock(),
        tracker_factory=SlowTracker,
        opener=told_opener(cameras),
    )
    with recorder:
        recorder.open()
        folder = recorder.start(BENCH)
        time.sleep(0.8)
        recorder.stop()
        untracked = recorder.status().cameras[0].untracked
        with sealed(recorder, folder) as recording:
            rows = recording.samples["right"]
            assert np.diff(rows["frame"]).max() == 1
            assert int(np.isnan(rows["x_px"]).sum()) == untracked > 20
            assert f"too slow to track the right eye in {untracked} frames" in recording.info.ending
            assert recording.info.eyes["right"].pictures == len(rows)


def test_a_full_disk_is_said_within_a_second_and_the_next_recording_works(tmp_path: Path) -> None:
    resource = pytest.importorskip("resource", reason="this system knows no limit of a file's size")
    with running(tmp_path, "right") as (recorder, (camera,)):
        limits = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (1_500_000, limits[1]))
        try:
            folder = recorder.start(BENCH)
            size = lambda: (folder / "journal.sqlite-wal").stat().st_size  # noqa: E731
            wait_for(lambda: size() > 1_300_000 or recorder.status().state == "broken off")
            took_s = wait_for(lambda: recorder.status().state == "broken off")
            (problem,) = recorder.status().problems
            with pytest.raises(StorageError, match="safe in"):
                recorder.stop()
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        assert took_s < 1.0 + 0.25  # the next commit is due up to 0.25 s after the last one that fitted
        assert "disk" in problem
        assert recorder.wait_sealed(10)
        again = recorder.start(BENCH)
        time.sleep(0.2)
        recorder.stop()
        assert recorder.wait_sealed(30)
        with open_recording(again) as recording:
            assert_is_what_was_sent(recording, "right", camera)
