"""The live recorder in this process, before cameras that do as they are told."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from capture.clock import SystemClock
from capture.errors import CameraLost, FormatRefused
from capture.samples import EYES, Eye, Target
from recordings.errors import RecordingError, StorageError
from recordings.event import Event
from recordings.info import Circumstances
from recordings.live_recorder import LiveRecorder
from recordings.sealed import Recording, open_recording
from tests.faults.live import BENCH, ToldCamera, goggles, plan, told_opener, told_recorder, wait_for
from tests.recordings.making import SumTracker, expected_of

TRAINEE = Circumstances(patient_code="HL-0007", training=True)  # a person too sits before the light
pytestmark = pytest.mark.usefixtures("seal_here")


@contextmanager
def running(data: Path, *eyes: Eye) -> Iterator[tuple[LiveRecorder, list[ToldCamera]]]:
    cameras: dict[str, ToldCamera] = {}
    with told_recorder(data, cameras, *eyes) as recorder:
        recorder.open()
        yield recorder, list(cameras.values())


def sealed(recorder: LiveRecorder, folder: Path) -> Recording:
    assert recorder.wait_sealed(30)
    assert recorder.status().unsealed == ()
    return open_recording(folder)


def assert_is_what_was_sent(recording: Recording, eye: Eye, camera: ToldCamera) -> None:
    """Every frame between the first and the last of the recording, in order, with its own sample."""
    rows = recording.samples[eye]
    sent = {frame.number: frame for frame in camera.sent}
    numbers = rows["frame"].tolist()
    assert numbers == [number for number in sent if numbers[0] <= number <= numbers[-1]]
    for i, row in enumerate(rows):
        frame = sent[row["frame"]]
        assert row["x_px"] == expected_of(frame.image).pupil.x_px
        assert row["repeated"] == frame.repeated
        assert np.array_equal(recording.image(eye, i), frame.image)


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


@pytest.mark.parametrize(
    ("irradiance", "clinic", "allowed"),
    [(None, None, False), (50.1, None, False), (50.0, None, True), (9.0, 5.0, False), (4.0, 5.0, True)],
)
def test_the_light_gate_holds_for_patients_alone(
    tmp_path: Path, irradiance: float | None, clinic: float | None, allowed: bool
) -> None:
    cameras: dict[str, ToldCamera] = {}
    opened = told_opener(cameras)
    asked = plan(tmp_path, {"right": "camera:A1"}, irradiance_w_m2=irradiance)
    recorder = LiveRecorder(
        replace(asked, clinic_limit_w_m2=clinic),
        clock=SystemClock(),
        tracker_factory=SumTracker,
        opener=lambda text, clock, settings: opened("told:1", clock, settings),
    )
    patient = replace(BENCH, circumstances=Circumstances(patient_code="HL-0007"))
    with recorder:
        recorder.open()
        if not allowed:
            for asked in (patient, replace(patient, circumstances=TRAINEE)):
                with pytest.raises(RecordingError, match=r"irradiance|infrared"):
                    recorder.start(asked)
            assert list(tmp_path.glob("*/journal.sqlite")) == []
        folder = recorder.start(patient if allowed else BENCH)
        time.sleep(0.1)
        recorder.stop()
        with sealed(recorder, folder) as recording:
            assert recording.info.bench == (not allowed)
            assert bool(recording.info.patient_code) == allowed


def test_exchanged_eyes_are_found_by_covering_one_and_block_a_patient(tmp_path: Path) -> None:
    class SeesBright(SumTracker):
        def track(self, image: Any) -> Any:
            found = super().track(image)
            return found if image.mean() > 50 else found._replace(pupil=found.pupil._replace(x_px=np.nan))

    cameras: dict[str, ToldCamera] = {}
    recorder = LiveRecorder(
        plan(tmp_path, {"right": "told:0", "left": "told:1"}),
        clock=SystemClock(),
        tracker_factory=SeesBright,
        opener=told_opener(cameras),
    )
    with recorder:
        recorder.open()
        right, left = cameras["told:0"], cameras["told:1"]
        for camera, asked, expected in (
            (left, "right", "contradicted"),
            (right, "right", "proven"),
            (left, "left", "proven"),
        ):
            time.sleep(0.3)
            opened_s = SystemClock().now_s()
            shown, camera._shown = (
                camera._shown,
                [frame._replace(image=np.zeros_like(frame.image), encoded=None) for frame in camera._shown],
            )
            time.sleep(0.5)
            covered_s = SystemClock().now_s()
            camera._shown = shown
            verdict = recorder.judge_cover(asked, (opened_s - 0.25, opened_s), (covered_s - 0.3, covered_s))  # type: ignore[arg-type]
            assert verdict.identity == expected, verdict.reason
            if expected == "contradicted":
                with pytest.raises(RecordingError, match="exchanged"):
                    recorder.start(replace(BENCH, circumstances=Circumstances(patient_code="HL-0007")))
        folder = recorder.start(BENCH)
        time.sleep(0.1)
        recorder.stop()
        with sealed(recorder, folder) as recording:
            assert recording.info.eye_identity == "proven"
            assert recording.info.pair_offset_s is not None


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
