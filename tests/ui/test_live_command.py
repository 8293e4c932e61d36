"""`driftbeat live`, `cameras` and `rescue`, before simulated cameras and a camera on the loopback."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from capture.profile import read_profile
from recordings.journal import ImageRow, Journal, pack_sample
from recordings.sealed import open_recording
from recordings.verify import verify
from tests.conftest import ROOT
from tests.faults.loopback_camera import LoopbackCamera
from tests.recordings.conftest import seal_here
from tests.recordings.making import OPENING, TRACKED, frame
from ui import first_run
from ui.command_line import main
from ui.known_profiles import remember_profile
from ui.log import data_folder

__all__ = ["seal_here"]  # a fixture
pytestmark = pytest.mark.usefixtures("data")
PROFILE = """
name = "bench goggles"
{light}
[[cameras]]
identity = "{url}"
views = [{{ eye = "right", mirrored = true }}]
"""


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def write_profile(path: Path, url: str, light: str = "") -> Path:
    path.write_text(PROFILE.format(url=url, light=light))
    return path


def test_live_says_what_is_there_records_and_seals(packets: list[bytes], tmp_path: Path) -> None:
    targets = tmp_path / "targets.csv"
    targets.write_text("start_s,end_s,horizontal_deg,vertical_deg\n0.2,0.8,0,0\n")
    steps = tmp_path / "steps.csv"
    steps.write_text("start_s,end_s,step\n0.1,0.9,dark\n")
    with LoopbackCamera(packets, 60) as camera:
        profile = write_profile(tmp_path / "goggles.toml", camera.url, "irradiance_w_m2 = 20.0")
        words = ["live", "--profile", profile, "--patient", "HL-0007", "--seconds", "1.2"]
        made = run(*words, "--targets", targets, "--steps", steps, "--rate", "60", "--crop")
    assert made.exit_code == 0, made.output
    for part in ("320x240", "60.", "Saccade velocity is not assessed", "MB/s", "hours", "20 W/m2"):
        assert part in made.output
    folder = Path(made.stdout.splitlines()[-1])
    assert verify(folder).ok
    with open_recording(folder) as recording:
        assert (recording.complete, recording.info.live, recording.info.bench) == (True, True, False)
        assert recording.info.patient_code == "HL-0007"
        assert recording.info.utc_of_zero
        assert recording.targets[0].start_s == pytest.approx(0.2, abs=0.1)
        assert recording.events[0].text == "dark"
        eye = recording.info.eyes["right"]
        assert eye.frames > 50
        assert eye.lost == 0
        assert "Saccade velocity is not assessed" in eye.ruled_out
        if eye.crop_width_px:
            assert recording.image("right", 0).shape == (eye.crop_height_px, eye.crop_width_px)
        seen = recording.samples["right"]["x_px"]
        assert np.isfinite(seen).mean() > 0.9


@pytest.mark.parametrize("light", ["", "irradiance_w_m2 = 60.0"])
def test_no_patient_before_goggles_whose_light_is_not_known_to_be_safe(
    packets: list[bytes], tmp_path: Path, light: str, data: Path
) -> None:
    with LoopbackCamera(packets, 60) as camera:
        profile = write_profile(tmp_path / "goggles.toml", camera.url, light)
        refused = run("live", "--profile", profile, "--patient", "HL-0007", "--seconds", "1")
    assert refused.exit_code == 1
    assert "Nothing was recorded" in refused.output
    assert not list(data.glob("*/measurement.h5"))


@pytest.mark.usefixtures("seal_here")
def test_a_profile_edited_by_hand_is_noticed(packets: list[bytes], tmp_path: Path) -> None:
    with LoopbackCamera(packets, 60) as camera:
        words = ["live", "--profile", tmp_path / "goggles.toml", "--bench", "--seconds", "0.5"]
        write_profile(tmp_path / "goggles.toml", camera.url)
        first = run(*words)
        text = (tmp_path / "goggles.toml").read_text()
        (tmp_path / "goggles.toml").write_text(text.replace("mirrored = true", "mirrored = false"))
        second = run(*words)
        (tmp_path / "goggles.toml").write_text(text.replace("mirrored = true", "mirrored = maybe"))
        third = run(*words)
    assert first.exit_code == second.exit_code == 0, first.output + second.output
    assert "was changed since" not in first.output
    assert "was changed since its last recording" in second.output
    assert third.exit_code == 1
    assert "is not valid" in third.output


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--right", "simulated:right"], "--patient CODE, or --bench"),
        (["--right", "simulated:right", "--bench", "--patient", "HL-1"], "--patient CODE, or --bench"),
        (["--bench"], "Name a goggle profile or a camera"),
        (["--bench", "--right", "simulated:right", "--exposure", "nan"], "nan is not a number"),
        (["--bench", "--right", "simulated:right", "--gain", "inf"], "inf is not in the range"),
        (["--bench", "--both", "simulated:right"], "needs a goggle profile"),
        (["--bench", "--both", "a", "--right", "b"], "leave out"),
        (["--bench", "--right", "http://x/", "--left", "http://x/"], "named for both eyes"),
    ],
)
def test_contradictions_are_told(words: list[str], says: str) -> None:
    told = run("live", *words)
    assert told.exit_code == 2
    assert says in told.output


@pytest.mark.parametrize("limit", ["51", "-1", "nan"])
def test_a_limit_that_may_not_be_is_refused_before_anything_is_opened(data: Path, limit: str) -> None:
    told = run("live", "--right", "camera:no-such-serial", "--bench", "--light-limit", limit)
    assert told.exit_code == 1
    assert "never higher" in told.output
    assert not data.exists() or not list(data.glob("*-*"))


def test_a_changed_profile_is_told_again_until_it_was_recorded_with(tmp_path: Path, data: Path) -> None:
    path = write_profile(tmp_path / "goggles.toml", "http://127.0.0.1:1/", "irradiance_w_m2 = 20.0")
    data.mkdir()
    remember_profile(read_profile(path), data)
    path.write_text(path.read_text().replace("mirrored = true", "mirrored = false"))
    for _ in range(2):
        told = run("live", "--profile", path, "--bench", "--seconds", "1")
        assert told.exit_code == 1
        assert "was changed since its last recording" in told.output
        assert "No camera answers" in told.output


def test_a_camera_that_is_not_there_is_told(data: Path) -> None:
    told = run("live", "--right", "camera:no-such-serial", "--bench")
    assert told.exit_code == 1
    assert "no camera with the serial number or port no-such-serial" in told.output
    assert not list(data.glob("*/journal.sqlite"))


def test_cameras_measures_and_writes_a_preview(packets: list[bytes], tmp_path: Path) -> None:
    with LoopbackCamera(packets, 60) as camera:
        told = run("cameras", "--source", camera.url, "--rate", "100", "--preview", tmp_path / "seen")
    assert told.exit_code == 0, told.output
    assert "promises 100 pictures/s and gives 60" in told.output or "gives 59" in told.output
    (picture,) = (tmp_path / "seen").iterdir()
    image = cv2.imread(str(picture), cv2.IMREAD_UNCHANGED)
    assert image is not None
    assert image.shape == (240, 320)


def test_no_camera_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ui.camera_check.list_cameras", lambda: ())
    told = run("cameras")
    assert (told.exit_code, "There is no camera" in told.output) == (1, True)


@pytest.mark.skipif(os.name == "nt", reason="Windows sends no such signal")
@pytest.mark.parametrize(
    "number", [signal.SIGINT, pytest.param(getattr(signal, "SIGHUP", None), marks=pytest.mark.long)]
)
def test_a_signal_ends_it_in_good_order(packets: list[bytes], data: Path, number: int) -> None:
    with LoopbackCamera(packets, 60) as camera:
        program = [sys.executable, "-m", "ui.command_line", "live", "--right", camera.url, "--bench"]
        with subprocess.Popen(
            program, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT,
            stdin=subprocess.DEVNULL, start_new_session=True,
        ) as process:  # fmt: skip
            assert process.stderr is not None
            for line in process.stderr:
                if "Recording" in line:
                    break
            time.sleep(0.7)
            os.killpg(process.pid, number)
            out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    folder = Path(out.splitlines()[-1])
    assert verify(folder).ok
    with open_recording(folder) as recording:
        assert recording.complete
        assert len(recording.samples["right"]) > 20


def test_rescue_seals_what_was_left_and_marks_it(data: Path) -> None:

    folder = data / "00000000-0000-4000-8000-000000000000"
    folder.mkdir(parents=True)
    journal = Journal(folder, OPENING, {})
    journal.add([pack_sample("right", frame(n), TRACKED) for n in range(9)], [ImageRow(0, 0, b"x")])
    journal.commit()
    journal.close()
    told = run("rescue")
    assert (told.exit_code, told.stdout.strip()) == (0, str(folder)), told.output
    with open_recording(folder) as recording:
        assert len(recording.samples["right"]) == 9
        assert recording.info.ending.startswith("recovered")
    assert "Nothing was left behind" in run("rescue").output


def test_the_first_run_asks_where_and_remembers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("DRIFTBEAT_DATA")
    monkeypatch.setattr(first_run, "settings_file", lambda: tmp_path / "config" / "settings.toml")
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("click.prompt", lambda *_, **__: str(tmp_path / 'a "folder"'))
    assert first_run.choose_data_folder(tmp_path / "default") == tmp_path / 'a "folder"'
    assert "encrypted disk" in capsys.readouterr().err
    assert first_run.choose_data_folder(tmp_path / "default") == tmp_path / 'a "folder"'
    assert capsys.readouterr().err == ""
    assert data_folder() == tmp_path / 'a "folder"'
    monkeypatch.setenv("DRIFTBEAT_DATA", str(tmp_path / "other"))
    assert data_folder() == tmp_path / "other"


def test_nobody_at_the_terminal_is_asked_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("DRIFTBEAT_DATA")
    monkeypatch.setattr(first_run, "settings_file", lambda: tmp_path / "config" / "settings.toml")
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    assert first_run.choose_data_folder(tmp_path / "default") == tmp_path / "default"
    assert "encrypted disk" in capsys.readouterr().err
