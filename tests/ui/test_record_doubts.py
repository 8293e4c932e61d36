"""What `record` refuses before anything is made, and what it says of a video that shows little."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from recordings.sealed import open_recording
from tests.capture.videos import jpegs, pictures, write_avi, write_lossless, write_times
from tests.recordings.making import ListSource, frames, recorder
from ui.command_line import main

RATE_HZ, COUNT, START_S = 50, 100, 100.0
PATIENT = ("--patient", "HL-0007")


@pytest.fixture(autouse=True)
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("DRIFTBEAT_DATA", str(tmp_path / "data"))
    return tmp_path / "data"


@pytest.fixture
def video(tmp_path: Path) -> Path:
    """2 s of noise, in which no pupil is seen."""
    return write_avi(tmp_path / "video.avi", jpegs(COUNT), RATE_HZ)


def times(path: Path, *, start_s: float = START_S, unit: float = 1.0, rate_hz: float = RATE_HZ) -> Path:
    return write_times(path, [unit * (start_s + n / rate_hz) for n in range(COUNT)])


def record(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["record", *map(str, words), *PATIENT])


def refused(data: Path, *words: str | Path) -> str:
    """What is said of a recording that is refused before anything is made."""
    result = record(*words)
    assert result.exit_code in (1, 2), result.output
    assert "Traceback" not in result.output
    assert not list(data.glob("*-*-*"))
    return " ".join(result.stderr.replace("\u2502", " ").split())


@pytest.mark.parametrize("unit", [1e3, 1e6], ids=["milliseconds", "microseconds"])
def test_frame_times_that_are_no_seconds_are_refused(
    unit: float, video: Path, tmp_path: Path, data: Path
) -> None:
    said = refused(data, "--right", video, "--right-times", times(tmp_path / "t.csv", unit=unit))
    assert "seconds expected" in said
    assert "Nothing was recorded" in said


@pytest.mark.parametrize("rate_hz", [RATE_HZ / 2, RATE_HZ * 2, RATE_HZ * 10])
def test_a_wrong_rate_in_the_header_is_told_and_the_times_count(
    rate_hz: float, video: Path, tmp_path: Path
) -> None:
    """Ten times as fast: a slow-motion file, whose header says at which rate it is to be shown."""
    result = record("--right", video, "--right-times", times(tmp_path / "t.csv", rate_hz=rate_hz))
    assert result.exit_code == 0, result.output
    assert f"says 50.00 frames/s, by the measured times they were {rate_hz:.2f}" in result.stdout


def test_a_right_rate_in_the_header_is_not_mentioned(video: Path, tmp_path: Path) -> None:
    result = record("--right", video, "--right-times", times(tmp_path / "t.csv", rate_hz=50.2))
    assert "by the measured times they were" not in result.stdout


def test_eyes_without_a_common_moment_are_refused(video: Path, tmp_path: Path, data: Path) -> None:
    left = write_avi(tmp_path / "left.avi", jpegs(COUNT, seed=1), RATE_HZ)
    said = refused(
        data,
        *("--right", video, "--right-times", times(tmp_path / "r.csv")),
        *("--left", left, "--left-times", times(tmp_path / "l.csv", start_s=START_S + 2.5)),
    )
    assert "no moment in common: file-right from 100.000 to 101.980 s" in said
    assert "one host clock" in said


def test_the_same_video_for_both_eyes_is_refused(video: Path, tmp_path: Path, data: Path) -> None:
    copy = tmp_path / "copy.avi"
    copy.write_bytes(video.read_bytes())
    for other in (video, copy):
        assert "the same video" in refused(data, "--right", video, "--left", other)


@pytest.mark.parametrize("left", ["0,0,32,48", "31,0,32,48", "0,47,64,1"])
def test_regions_that_overlap_are_refused(left: str, video: Path, data: Path) -> None:
    words = ("--both", video, "--right-region", "0,0,32,48", "--left-region", left)
    assert "overlap" in refused(data, *words)


def test_regions_side_by_side_are_taken_and_no_eye_is_called_proven(video: Path) -> None:
    result = record("--both", video, "--right-region", "0,0,32,48", "--left-region", "32,0,32,48")
    assert result.exit_code == 0, result.output
    assert "not proven by covering one eye" in result.stdout


@pytest.mark.parametrize("shown", ["black", "noise"])
def test_a_video_that_shows_no_eye_is_called_so(shown: str, video: Path, tmp_path: Path) -> None:
    if shown == "black":
        video = write_lossless(tmp_path / "black.mkv", [np.zeros((48, 64), np.uint8)] * 50)
    result = record("--right", video)
    assert result.exit_code == 0, result.output
    assert "a pupil in 0% of them" in result.stdout
    assert "Warning: A pupil was seen in only 0% of the frames of the right eye" in result.stdout
    assert " 0.00 frames/s" not in result.stdout
    assert ("All pictures of the right eye are the same" in result.stdout) == (shown == "black")


def test_a_single_frame_has_no_rate(tmp_path: Path) -> None:
    result = record("--right", write_lossless(tmp_path / "one.mkv", pictures(1)))
    assert "Right eye: 1 frame, 0 lost, 0 repeated, rate not known" in result.stdout


def test_a_video_of_an_eye_shows_its_pupil(phantom: Callable[[str], Path], tmp_path: Path) -> None:
    """Half a second of it."""
    source = cv2.VideoCapture(str(phantom("s08") / "video_R.avi"))
    shown = [np.asarray(source.read()[1], np.uint8) for _ in range(100)]
    source.release()
    result = record("--right", write_lossless(tmp_path / "eye.mkv", shown, 200.0))
    assert "a pupil in 100% of them" in result.stdout
    assert "pupil was seen in only" not in result.stdout


def csv_of(path: Path, head: str, *rows: str) -> Path:
    path.write_text("\n".join([head, *rows]))
    return path


def steps(tmp_path: Path, *rows: str) -> Path:
    return csv_of(tmp_path / "steps.csv", "start_s,end_s,step", *rows)


def targets(tmp_path: Path, *rows: str) -> Path:
    return csv_of(tmp_path / "targets.csv", "start_s,end_s,horizontal_deg,vertical_deg", *rows)


@pytest.mark.parametrize("row", ["0,1.5,dark", "101.98,103,dark", "99,100,light"])
def test_a_step_outside_the_video_is_refused(row: str, video: Path, tmp_path: Path, data: Path) -> None:
    words = ("--right", video, "--right-times", times(tmp_path / "t.csv"), "--steps", steps(tmp_path, row))
    assert "lies outside the video (100.00 to 101.98 s)" in refused(data, *words)


def test_a_step_that_reaches_beyond_the_video_is_cut_and_told(video: Path, tmp_path: Path) -> None:
    given = steps(tmp_path, "99.5,101,light", "101,102,dark")  # the dark one by only 0.02 s
    result = record("--right", video, "--right-times", times(tmp_path / "t.csv"), "--steps", given)
    assert result.exit_code == 0, result.output
    assert "The step light (99.50 to 101.00 s) reaches beyond the video" in result.stderr
    assert "step dark" not in result.stderr
    with open_recording(Path(result.stdout.splitlines()[-1])) as recording:
        found = [(event.start_s, event.end_s) for event in recording.events]
        assert found == [pytest.approx((0.0, 1.0)), pytest.approx((1.0, 1.98))]


def test_targets_of_another_clock_are_refused(video: Path, tmp_path: Path, data: Path) -> None:
    words = ("--right", video, "--right-times", times(tmp_path / "t.csv"))
    said = refused(data, *words, "--targets", targets(tmp_path, "0,0.5,0,0", "0.5,1,10,0"))
    assert "No target lies within the video (100.00 to 101.98 s)" in said


def test_a_dark_step_over_targets_is_warned_of(video: Path, tmp_path: Path) -> None:
    result = record(
        *("--right", video, "--targets", targets(tmp_path, "0,0.5,0,0", "0.5,1,10,0")),
        *("--steps", steps(tmp_path, "0.8,1.9,dark")),
    )
    assert result.exit_code == 0, result.output
    assert "covers calibration targets" in result.stderr


def test_what_was_left_behind_is_sealed_with_the_next_recording(video: Path, data: Path) -> None:
    made = recorder(data, {"camera-right": ListSource(frames(10))})
    made.start()
    made.wait()
    assert made.folder is not None
    left = made.folder
    made._running()._owner.release()  # as when the program died
    for name in ("verify", "analyse"):
        result = CliRunner().invoke(main, [name, str(left)])
        assert f'driftbeat rescue --data "{data}"' in result.stderr
    result = record("--right", video)
    assert f"it is sealed now: {left}" in result.stderr
    with open_recording(left) as recording:
        assert recording.complete
    with pytest.raises(sqlite3.Error):  # the journal is gone
        sqlite3.connect(f"file:{left / 'journal.sqlite'}?mode=ro", uri=True)
