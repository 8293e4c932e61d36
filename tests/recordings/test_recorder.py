from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from capture.profile import CameraProfile, EyeView, GoggleProfile
from capture.samples import Target, Tracked
from recordings.errors import RecordingError, StorageError
from recordings.event import Event
from recordings.history import History, Medicine
from recordings.info import Circumstances
from recordings.sealed import open_recording
from recordings.space import SpaceRule
from tests.recordings.making import (
    EVENTS,
    NO_SPARE,
    RATE_HZ,
    START_S,
    TARGETS,
    ListSource,
    SumTracker,
    expected_of,
    frames,
    profile,
    recorder,
    sealed,
)

pytestmark = pytest.mark.usefixtures("seal_here")


def test_every_frame_becomes_the_sample_of_its_own_picture(tmp_path: Path) -> None:
    shown = {"right": frames(150, 1), "left": frames(140, 2)}
    sources = {f"camera-{eye}": ListSource(items) for eye, items in shown.items()}
    with open_recording(recorder(tmp_path, sources).run()) as recording:
        assert list(recording.samples) == ["right", "left"]
        for eye, rows in recording.samples.items():
            assert rows["frame"].tolist() == [frame.number for frame in shown[eye]]
            assert rows["device_time_s"].tolist() == [frame.device_time_s for frame in shown[eye]]
            for row, frame in zip(rows, shown[eye], strict=True):
                tracked = expected_of(frame.image)
                assert [row[name] for name in ("x_px", "y_px", "angle_deg", "rotation_deg")] == [
                    tracked.pupil.x_px,
                    tracked.pupil.y_px,
                    tracked.pupil.angle_deg,
                    tracked.rotation_deg,
                ]
                assert np.isnan(row["torsion_quality"])


def test_time_counts_from_the_earliest_first_frame_of_either_eye(tmp_path: Path) -> None:
    with open_recording(sealed(tmp_path)) as recording:
        zero_s = recording.info.host_time_of_zero_s
        assert zero_s == START_S - 0.003
        for eye, first_s in (("right", START_S), ("left", START_S - 0.003)):
            expected = [first_s + n / RATE_HZ - zero_s for n in range(120)]
            assert recording.samples[eye]["time_s"].tolist() == expected
        assert recording.targets == tuple(
            Target(t.start_s - zero_s, t.end_s - zero_s, *t[2:]) for t in TARGETS
        )
        assert recording.events == tuple(
            Event(e.start_s - zero_s, e.end_s - zero_s, e.kind, e.text) for e in EVENTS
        )


@pytest.mark.parametrize("images", ["jpeg", "lossless"])
def test_the_cameras_own_bytes_are_kept_as_they_came(tmp_path: Path, images: Any) -> None:
    shown = frames(30, 1)
    folder = recorder(tmp_path, {"camera-right": ListSource(shown)}, images=images).run()
    with open_recording(folder) as recording:
        for i, frame in enumerate(shown):
            assert np.array_equal(recording.image("right", i), frame.image)
            assert recording._pictures is not None
            assert recording._pictures.encoded("right", i) == frame.encoded


def test_lossless_keeps_every_grey_level(tmp_path: Path) -> None:
    shown = frames(20, 1, encoded=False)
    folder = recorder(tmp_path, {"camera-right": ListSource(shown)}, images="lossless").run()
    with open_recording(folder) as recording:
        assert all(np.array_equal(recording.image("right", i), f.image) for i, f in enumerate(shown))


def test_else_pictures_are_kept_as_jpeg_of_quality_90(tmp_path: Path) -> None:
    shown = frames(3, 1, encoded=False)
    folder = recorder(tmp_path, {"camera-right": ListSource(shown)}).run()
    with open_recording(folder) as recording:
        data = cv2.imencode(".jpg", shown[2].image, [cv2.IMWRITE_JPEG_QUALITY, 90])[1]
        assert np.array_equal(recording.image("right", 2), cv2.imdecode(data, cv2.IMREAD_GRAYSCALE))


def test_none_keeps_no_pictures(tmp_path: Path) -> None:
    folder = sealed(tmp_path, images="none")
    assert sorted(path.name for path in folder.iterdir()) == ["measurement.h5", "seal.json"]
    with open_recording(folder) as recording, pytest.raises(RecordingError, match="not kept"):
        recording.image("right", 0)


def test_two_eyes_in_one_picture_keep_it_once(tmp_path: Path) -> None:
    shown = frames(40, 1)
    views = (EyeView("right", region_px=(32, 4, 30, 40)), EyeView("left", region_px=(0, 0, 30, 48)))
    goggles = GoggleProfile("one camera", (CameraProfile("both", views),))
    folder = recorder(tmp_path, {"both": ListSource(shown)}, goggles).run()
    with open_recording(folder) as recording:
        for eye, (x, y, w, h) in (("right", (32, 4, 30, 40)), ("left", (0, 0, 30, 48))):
            for i in (0, 39):
                pupil = expected_of(shown[i].image[y : y + h, x : x + w]).pupil
                row = recording.samples[eye][i]
                assert (row["x_px"], row["y_px"]) == (pupil.x_px + x, pupil.y_px + y)
                assert np.array_equal(recording.image(eye, i), shown[i].image)
    kept = sum(len(frame.encoded or b"") for frame in shown)
    assert kept < (folder / "images.h5").stat().st_size < 1.7 * kept + 150_000


def test_a_region_outside_the_picture_is_refused_before_anything_is_made(tmp_path: Path) -> None:
    source = ListSource(frames(3))
    goggles = GoggleProfile("p", (CameraProfile("c", (EyeView("right", region_px=(40, 0, 30, 48)),)),))
    with pytest.raises(RecordingError, match="outside the picture"):
        recorder(tmp_path / "data", {"c": source}, goggles).run()
    assert source.closed
    assert not (tmp_path / "data").exists()


def test_two_eyes_on_two_clocks_are_refused(tmp_path: Path) -> None:
    left = ListSource(frames(3))
    left.info = replace(left.info, times="nominal")
    with pytest.raises(RecordingError, match="one clock"):
        recorder(tmp_path, {"camera-right": ListSource(frames(3)), "camera-left": left}).run()
    assert left.closed


def test_a_source_that_no_camera_of_the_profile_gives_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="stranger"):
        recorder(tmp_path, {"stranger": ListSource([])}, profile("right"))


def test_lost_and_repeated_frames_are_counted(tmp_path: Path) -> None:
    shown = [frame for frame in frames(100, 1) if frame.number not in (20, 50, 51)]
    shown[10] = shown[10]._replace(repeated=True)
    with open_recording(recorder(tmp_path, {"camera-right": ListSource(shown)}).run()) as recording:
        eye = recording.info.eyes["right"]
        assert (eye.frames, eye.lost, eye.repeated) == (97, 3, 1)
        assert recording.samples["right"]["repeated"].tolist() == [int(f.repeated) for f in shown]
        assert eye.measured_rate_hz == pytest.approx(98 / 0.99)  # 99 steps in 0.99 s, one of them a copy
        assert eye.times == "measured"


def test_what_a_file_can_never_gain_later_is_in_it(tmp_path: Path) -> None:
    said = Circumstances(
        patient_code="HL-0007", birth_year=1958, operator="op-3", site="Harbour Lane Balance Clinic",
        room="2", language="de", power="battery", head_position_source="upright, by eye",
        darkness_source="covered goggles", protocol_version="1", limits_version="1", training=True,
        history=History(
            course="continuous", hours_since_onset=7.5, skew="left eye higher", migraine_with_attacks="no",
            medicines=(Medicine("बीटाहिस्टीन 16 mg", 8.0), Medicine("x")),
        ),
    )  # fmt: skip
    with open_recording(sealed(tmp_path, circumstances=said)) as recording:
        assert {name: getattr(recording.info, name) for name in said.__struct_fields__} == {
            name: getattr(said, name) for name in said.__struct_fields__
        }
        assert recording.info.made_utc == "2026-01-01T00:00:00+00:00"
        assert recording.info.profile_sha256 == recording.profile.sha256()
        assert recording.profile == profile("right", "left")
        assert recording.complete


@pytest.mark.parametrize("code", ["x" * 201, "two\nlines", "\x00"])
def test_a_text_that_no_file_should_hold_is_refused(code: str) -> None:
    with pytest.raises(ValueError, match="patient_code"):
        Circumstances(patient_code=code)


def test_a_source_that_breaks_off_keeps_what_came_and_says_why(tmp_path: Path) -> None:
    sources = {
        "camera-right": ListSource(frames(40, 1), error="The cable fell off."),
        "camera-left": ListSource(frames(90, 2)),
    }
    with open_recording(recorder(tmp_path, sources).run()) as recording:
        assert [len(rows) for rows in recording.samples.values()] == [40, 90]
        assert not recording.complete
        assert recording.info.ending == "camera-right could not be read to its end"


def test_stopping_a_file_early_is_incomplete_and_keeps_what_came(tmp_path: Path) -> None:
    source = ListSource(frames(2000), wait_s=0.001)
    made = recorder(tmp_path, {"camera-right": source})
    made.start()
    while made.frames()[0] < 30:
        assert not made.wait(0.005)
    made.stop("stopped by the operator")
    with open_recording(made.finish()) as recording:
        count = len(recording.samples["right"])
        assert 30 <= count < 2000
        assert count == source.at  # every frame that was read is there
        assert recording.samples["right"]["frame"].tolist() == list(range(count))
        assert (recording.complete, recording.info.ending) == (False, "stopped by the operator")
        assert np.array_equal(recording.image("right", count - 1), source.items[count - 1].image)


def test_stopping_what_has_no_end_is_how_it_ends(tmp_path: Path) -> None:
    made = recorder(tmp_path, {"camera-right": ListSource(frames(2000), endless=True, wait_s=0.001)})
    made.start()
    made.wait(0.05)
    made.stop("stopped by the operator")
    with open_recording(made.finish()) as recording:
        assert (recording.complete, recording.info.ending) == (True, "")


def test_ctrl_c_keeps_everything(tmp_path: Path) -> None:
    def interrupt(done: int, total: int | None) -> None:
        assert total == 2000
        if done > 20:
            raise KeyboardInterrupt

    source = ListSource(frames(2000), wait_s=0.001)
    with open_recording(recorder(tmp_path, {"camera-right": source}).run(interrupt)) as recording:
        assert len(recording.samples["right"]) == source.at < 2000
        assert recording.info.ending == "stopped by the operator"


def test_progress_counts_to_the_end(tmp_path: Path) -> None:
    seen: list[tuple[int, int | None]] = []
    steps: list[str] = []
    sources = {"camera-right": ListSource(frames(50, 1)), "camera-left": ListSource(frames(40, 2))}
    recorder(tmp_path, sources).run(lambda done, total: seen.append((done, total)), steps.append)
    assert seen[-1] == (90, 90)
    assert steps[-1] == "journal deleted"


def test_marks_made_while_recording_are_kept(tmp_path: Path) -> None:
    source = ListSource(frames(3000), endless=True, wait_s=0.001)
    made = recorder(tmp_path, {"camera-right": source}, targets=(), events=())
    made.start()
    made.mark(Event(START_S + 1, START_S + 2, "step", "fixation"))
    made.mark(Target(START_S + 3, START_S + 4, -5.0, 2.5))
    made.stop("end")
    with open_recording(made.finish()) as recording:
        assert recording.events == (Event(1.0, 2.0, "step", "fixation"),)
        assert recording.targets == (Target(3.0, 4.0, -5.0, 2.5),)
    with pytest.raises(RecordingError, match="ended"):
        made.mark(Event(0, 0, "note", "too late"))


class FailingTracker(SumTracker):
    """Cannot take every tenth picture."""

    calls = 0

    def track(self, image: np.ndarray) -> Tracked:
        FailingTracker.calls += 1
        if FailingTracker.calls % 10 == 0:
            raise ZeroDivisionError
        return super().track(image)


def test_a_tracker_that_fails_leaves_frames_without_a_pupil(tmp_path: Path) -> None:
    folder = recorder(
        tmp_path, {"camera-right": ListSource(frames(50))}, tracker_factory=FailingTracker
    ).run()
    with open_recording(folder) as recording:
        rows = recording.samples["right"]
        assert np.flatnonzero(np.isnan(rows["x_px"])).tolist() == [9, 19, 29, 39, 49]
        assert len(rows) == 50
        assert "failed in 5 frames" in recording.info.ending


def test_no_thread_is_left(tmp_path: Path) -> None:
    before = set(threading.enumerate())
    sealed(tmp_path)
    assert set(threading.enumerate()) == before


def test_too_little_room_is_said_before_the_start(tmp_path: Path) -> None:
    source = ListSource(frames(3))
    with pytest.raises(StorageError, match="MiB free"):
        recorder(tmp_path / "data", {"camera-right": source}, rule=SpaceRule(spare_bytes=1 << 60)).run()
    assert source.closed
    assert list((tmp_path / "data").iterdir()) == []


def test_a_disk_that_fills_ends_the_recording_in_good_order(tmp_path: Path) -> None:
    rule = SpaceRule(spare_bytes=0, stop_bytes=1 << 60)
    source = ListSource(frames(3000), wait_s=0.002)
    with open_recording(recorder(tmp_path, {"camera-right": source}, rule=rule).run()) as recording:
        assert recording.info.ending == "the disk was nearly full"
        assert len(recording.samples["right"]) == source.at < 3000


def test_a_data_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StorageError, match="Nothing was recorded"):
        recorder(tmp_path / "file" / "data", {"camera-right": ListSource(frames(3))}).run()


def test_switched_off_file_locks_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HDF5_USE_FILE_LOCKING", "FALSE")
    with pytest.raises(RecordingError, match="HDF5_USE_FILE_LOCKING"):
        recorder(tmp_path, {"camera-right": ListSource(frames(3))}, rule=NO_SPARE).run()
    assert list(tmp_path.iterdir()) == []
