"""The live recorder in this process, before cameras that do as they are told."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import numpy as np
import pytest

from capture.clock import Clock, SystemClock
from capture.live import CameraSettings
from capture.samples import EYES, Target
from recordings.errors import RecordingError
from recordings.event import Event
from recordings.live_recorder import LiveRecorder
from recordings.sealed import open_recording
from tests.faults.live import (
    BENCH,
    ToldCamera,
    assert_is_what_was_sent,
    goggles,
    plan,
    running,
    sealed,
    told_opener,
)
from tests.recordings.making import SumTracker, expected_of

pytestmark = pytest.mark.usefixtures("seal_here")


def test_two_recordings_from_cameras_that_run_on(tmp_path: Path) -> None:
    with running(tmp_path, "right", "left") as (recorder, cameras):
        time.sleep(0.1)
        folders = []
        for text in ("first", "second"):
            folders.append(recorder.start(BENCH))
            time.sleep(0.3)
            recorder.mark(Event(SystemClock().now_s(), SystemClock().now_s(), "note", text))
            recorder.stop()
        recordings = [sealed(recorder, folder) for folder in folders]
    for recording, text in zip(recordings, ("first", "second"), strict=True):
        with recording:
            assert recording.complete
            assert [event.text for event in recording.events] == [text]
            assert 0.2 < recording.events[0].start_s < 0.5
            for eye, camera in zip(EYES, cameras, strict=True):
                assert len(recording.samples[eye]) > 20
                assert_is_what_was_sent(recording, eye, camera)
    first, second = (recording.samples["right"]["frame"] for recording in recordings)
    assert first[-1] < second[0]
    assert not list(tmp_path.rglob("*.lock"))


def test_the_wall_clock_is_read_once_and_may_be_set_back(tmp_path: Path) -> None:
    class SetBack(SystemClock):
        walls = iter([datetime(2026, 11, 25, 12, tzinfo=UTC)] + [datetime(2026, 11, 25, 11, tzinfo=UTC)] * 9)

        def utc(self) -> datetime:
            return next(self.walls)

    cameras: dict[str, ToldCamera] = {}
    recorder = LiveRecorder(
        plan(tmp_path, {"right": "told:0"}),
        clock=SetBack(),
        tracker_factory=SumTracker,
        opener=told_opener(cameras),
    )
    with recorder:
        recorder.open()
        folder = recorder.start(BENCH)
        time.sleep(0.2)
        recorder.stop()
        with sealed(recorder, folder) as recording:
            info, rows = recording.info, recording.samples["right"]
    assert info.live
    assert info.made_utc == "2026-11-25T12:00:00+00:00"
    zero = datetime.fromisoformat(info.utc_of_zero) - datetime(2026, 11, 25, 12, tzinfo=UTC)
    assert timedelta(0) <= zero < timedelta(seconds=0.2)
    assert (np.diff(rows["time_s"]) > 0).all()


def test_targets_are_kept_on_the_recordings_time(tmp_path: Path) -> None:
    with running(tmp_path, "right") as (recorder, _):
        now_s = SystemClock().now_s()
        folder = recorder.start(replace(BENCH, targets=(Target(now_s + 1, now_s + 2, 0.0, 0.0),)))
        time.sleep(0.15)
        recorder.stop()
        with sealed(recorder, folder) as recording:
            (target,) = recording.targets
            zero_s = recording.info.host_time_of_zero_s
    assert target.start_s == pytest.approx(now_s + 1 - zero_s)


def test_only_a_part_of_the_picture_is_kept_and_samples_refer_to_the_whole(tmp_path: Path) -> None:
    with running(tmp_path, "right") as (recorder, (camera,)):
        asked = replace(BENCH, crops_px={"camera-right": (8, 4, 40, 32)}, images="lossless")
        folder = recorder.start(asked)
        time.sleep(0.2)
        recorder.stop()
        with sealed(recorder, folder) as recording:
            info, rows = recording.info.eyes["right"], recording.samples["right"]
            sent = {frame.number: frame for frame in camera.sent}
            for i, row in enumerate(rows):
                image = sent[row["frame"]].image
                assert row["x_px"] == expected_of(image).pupil.x_px
                assert np.array_equal(recording.image("right", i), image[4:36, 8:48])
    assert (info.crop_x_px, info.crop_y_px, info.crop_width_px, info.crop_height_px) == (8, 4, 40, 32)
    assert (info.width_px, info.height_px) == (64, 48)


def test_a_part_outside_the_picture_is_refused(tmp_path: Path) -> None:
    with (
        running(tmp_path, "right") as (recorder, _),
        pytest.raises(RecordingError, match="outside the picture"),
    ):
        recorder.start(replace(BENCH, crops_px={"camera-right": (30, 4, 40, 32)}))


def test_what_cannot_be_done_is_said(tmp_path: Path) -> None:
    with running(tmp_path, "right") as (recorder, _):
        for refused in (recorder.stop, lambda: recorder.mark(Event(0, 0, "note", ""))):
            with pytest.raises(RecordingError, match="No recording is going on"):
                refused()
        recorder.start(BENCH)
        with pytest.raises(RecordingError, match="Stop it first"):
            recorder.start(BENCH)
    assert recorder.status().state == "closed"
    (folder,) = tmp_path.iterdir()
    with open_recording(folder) as recording:
        assert recording.info.ending == "the program was closed"


def test_a_camera_that_is_not_in_the_profile_or_not_there_leaves_nothing_behind(tmp_path: Path) -> None:
    asked = plan(tmp_path, {"right": "camera:no such serial"})
    with pytest.raises(Exception, match="no camera"):
        LiveRecorder(asked, clock=SystemClock(), tracker_factory=SumTracker).open()
    asked = replace(asked, profile=goggles("left"))
    with pytest.raises(RecordingError, match="has no camera"):
        LiveRecorder(asked, clock=SystemClock(), tracker_factory=SumTracker).open()
    assert list(tmp_path.iterdir()) == []


def test_two_recorders_in_one_data_folder_do_not_meet(tmp_path: Path) -> None:
    with running(tmp_path, "right") as (one, (first,)), running(tmp_path, "right") as (other, (second,)):
        folders = [one.start(BENCH), other.start(BENCH)]
        time.sleep(0.3)
        one.stop()
        other.stop()
        for recorder, folder, camera in zip((one, other), folders, (first, second), strict=True):
            with sealed(recorder, folder) as recording:
                assert_is_what_was_sent(recording, "right", camera)


def test_each_camera_is_asked_for_what_its_profile_says(tmp_path: Path) -> None:
    asked: dict[str, CameraSettings] = {}
    opened = told_opener({})

    def remember(text: str, clock: Clock, settings: CameraSettings) -> ToldCamera:
        asked[text] = settings
        return opened(text, clock, settings)

    known = plan(tmp_path, {"right": "told:0", "left": "told:1"})
    right, left = known.profile.cameras
    right = msgspec.structs.replace(right, settings=CameraSettings(320, 240, 250.0, gain=2.0))
    profile = msgspec.structs.replace(known.profile, cameras=(right, left))
    with LiveRecorder(
        replace(known, profile=profile, settings=CameraSettings(rate_hz=100.0)),
        clock=SystemClock(),
        tracker_factory=SumTracker,
        opener=remember,
    ) as recorder:
        recorder.open()
    assert asked == {
        "told:0": CameraSettings(320, 240, 100.0, gain=2.0),
        "told:1": CameraSettings(rate_hz=100.0),
    }
