"""A live camera that falls silent, repeats itself, ends, or goes away and comes back."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from capture.errors import CameraLost, FormatRefused
from recordings.errors import RecordingError
from tests.faults.live import (
    BENCH,
    assert_is_what_was_sent,
    running,
    sealed,
    wait_for,
)

pytestmark = pytest.mark.usefixtures("seal_here")


@pytest.mark.parametrize("fault", ["silent", "frozen"])
def test_a_lost_signal_is_noticed_within_half_a_second(tmp_path: Path, fault: str) -> None:
    with running(tmp_path, "right") as (recorder, (camera,)):
        recorder.start(BENCH)
        time.sleep(0.3)
        assert recorder.status().cameras[0].signal == "good"
        began_s = time.perf_counter()
        setattr(camera, fault, True)
        wait_for(lambda: recorder.status().cameras[0].signal == fault)
        noticed_s = time.perf_counter() - began_s
        time.sleep(max(0.6 - noticed_s, 0))
        setattr(camera, fault, False)
        wait_for(lambda: recorder.status().cameras[0].signal == "good")
        time.sleep(0.1)
        folder = recorder.stop()
        with sealed(recorder, folder) as recording:
            assert_is_what_was_sent(recording, "right", camera)
            rows = recording.samples["right"]
            info = recording.info.eyes["right"]
            notes = [event for event in recording.events if event.kind == "note"]
    assert noticed_s < 0.5
    if fault == "silent":
        gap = int(np.diff(rows["frame"]).max()) - 1
        assert info.lost == gap >= 50
        assert np.diff(rows["time_s"]).max() == pytest.approx((gap + 1) / 100, abs=0.011)
        assert "nothing came from camera-right" in notes[0].text
        assert notes[0].end_s - notes[0].start_s == pytest.approx((gap + 1) / 100, abs=0.05)
    else:
        assert info.repeated == rows["repeated"].sum() >= 50
        assert info.lost == 0


def test_stopping_does_not_wait_for_a_camera_that_is_silent(tmp_path: Path) -> None:
    with running(tmp_path, "right") as (recorder, (camera,)):
        recorder.start(BENCH)
        time.sleep(0.2)
        camera.silent = True
        time.sleep(0.2)
        began_s = time.perf_counter()
        folder = recorder.stop()
        assert time.perf_counter() - began_s < 1.0
        with sealed(recorder, folder) as recording:
            assert recording.complete
            assert_is_what_was_sent(recording, "right", camera)


def test_a_camera_that_ends_leaves_the_other_going(tmp_path: Path) -> None:
    with running(tmp_path, "right", "left") as (recorder, (right, left)):
        folder = recorder.start(BENCH)
        time.sleep(0.2)

        def refuse() -> None:
            raise FormatRefused("/secret/path/of/a patient")

        right.read = refuse  # type: ignore[method-assign,assignment]
        wait_for(lambda: recorder.status().cameras[0].signal == "ended")
        time.sleep(0.2)
        assert recorder.status().problems == ("camera-right sent pictures that cannot be used",)
        assert "secret" in recorder.status().cameras[0].problem
        recorder.stop()
        with sealed(recorder, folder) as recording:
            assert not recording.complete
            assert recording.info.ending == "camera-right sent pictures that cannot be used"
            assert len(recording.samples["left"]) > len(recording.samples["right"]) + 10
            assert_is_what_was_sent(recording, "left", left)


def test_a_recording_begun_after_a_camera_ended_is_not_complete(tmp_path: Path) -> None:
    with running(tmp_path, "right", "left") as (recorder, (right, left)):

        def refuse() -> None:
            raise FormatRefused("It sends another size.")

        right.read = refuse  # type: ignore[method-assign,assignment]
        wait_for(lambda: recorder.status().cameras[0].signal == "ended")
        folder = recorder.start(BENCH)
        time.sleep(0.2)
        recorder.stop()
        with sealed(recorder, folder) as recording:
            assert recording.info.ending == "camera-right had ended before the start"
            assert len(recording.samples["left"]) > 10
        left.read = refuse  # type: ignore[method-assign,assignment]
        wait_for(lambda: recorder.status().cameras[1].signal == "ended")
        with pytest.raises(RecordingError, match=r"another size.*Nothing was recorded"):
            recorder.start(BENCH)
        assert list(tmp_path.iterdir()) == [folder]


def test_a_camera_that_is_away_is_waited_for(tmp_path: Path) -> None:
    with running(tmp_path, "right") as (recorder, (camera,)):
        folder = recorder.start(BENCH)
        read, calls = camera.read, []

        def lost_now_and_then() -> Any:
            calls.append(1)
            if len(calls) % 5 == 0:
                raise CameraLost("It went away.")
            return read()

        camera.read = lost_now_and_then  # type: ignore[method-assign]
        time.sleep(0.3)
        recorder.stop()
        with sealed(recorder, folder) as recording:
            assert recording.complete
            assert_is_what_was_sent(recording, "right", camera)
