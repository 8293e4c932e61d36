"""The commands on real files: a recording made, read, checked, exported; bad input refused; nothing lost."""

from __future__ import annotations

import contextlib
import csv
import gzip
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from capture.profile import EyeView
from capture.samples import Eye
from capture.simulation.camera import Camera
from capture.simulation.patient import SimulatedPatient
from capture.simulation.scenario import Hold, Scenario
from recordings.sealed import open_recording
from tests.conftest import ROOT
from tests.end_to_end.phantom import read_case
from ui.command_line import main

SECRET = "Zyxw Qvut"


@pytest.fixture(scope="session")
def files(phantom: Callable[[str], Path], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A video of a left eye, its frame times, targets and steps, in a folder named after a person."""
    folder = tmp_path_factory.mktemp("visit") / SECRET
    folder.mkdir()
    case = read_case(phantom("s05"))
    video, times = folder / f"{SECRET}.avi", folder / "times.csv.gz"
    shutil.copy(case.folder / "video_L.avi", video)
    shutil.copy(case.folder / "frames_L.csv.gz", times)
    targets, steps, notes = (folder / f"{name}.csv" for name in ("targets", "steps", "notes"))
    rows = [",".join(map(str, target)) for target in case.targets("left")]
    targets.write_text("\n".join(["start_s,end_s,horizontal_deg,vertical_deg", *rows]))
    steps.write_text("start_s,end_s,step\n6.5,11.0,dark\n")
    notes.write_text("at_s,note\n7.5,line from +20.0 to +2.3\n")
    return {"video": video, "times": times, "targets": targets, "steps": steps, "notes": notes}


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def record_words(files: dict[str, Path], data: Path) -> list[str | Path]:
    return [
        *("record", "--left", files["video"], "--left-times", files["times"], "--targets", files["targets"]),
        *(
            "--steps",
            files["steps"],
            "--notes",
            files["notes"],
            "--patient",
            "HL-0007",
            "--year-of-birth",
            "1964",
            "--data",
            data,
        ),
    ]


@pytest.fixture(scope="session")
def recorded(files: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> Result:
    """What `driftbeat record` answered; its log and recording are in the folder `data`."""
    data = tmp_path_factory.mktemp("data")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("DRIFTBEAT_DATA", str(data))
        return run(*record_words(files, data))


@pytest.fixture
def folder(recorded: Result) -> Path:
    """The recording's folder: the last line that `record` printed."""
    return Path(recorded.stdout.splitlines()[-1])


@pytest.fixture(autouse=True)
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep what a test leaves out of the user's account."""
    monkeypatch.setenv("DRIFTBEAT_DATA", str(tmp_path / "data"))
    return tmp_path / "data"


def test_record_tells_counts_calibration_direction_and_the_folder_last(
    recorded: Result, folder: Path, files: dict[str, Path]
) -> None:
    assert recorded.exit_code == 0, recorded.output
    with gzip.open(files["times"], "rt") as lines:
        frames = sum(1 for _ in lines) - 1
    assert f"Left eye: {frames} frames, 0 lost, 0 repeated" in recorded.stdout
    assert "calibration good, direction proven" in recorded.stdout
    assert recorded.stdout.count("  target (") == 8
    with open_recording(folder) as recording:
        assert recording.complete
        assert recording.info.patient_code == "HL-0007"
        assert recording.info.birth_year == 1964
        assert len(recording.samples["left"]) == frames
        assert [event.text for event in recording.events if event.kind == "step"] == ["dark"]
        noted = [event for event in recording.events if event.kind == "note"]
        assert [event.text for event in noted] == ["line from +20.0 to +2.3"]
        assert noted[0].start_s == pytest.approx(recording.events[0].start_s + 1.0)  # the step is at 6.5
        doubts = [event.text for event in recording.events if event.kind == "doubt"]
        assert len(doubts) == 1  # the lid hides the lamps' reflections in this recording
        assert doubts[0].startswith("left eye: slips of the goggles could not be seen")


def test_no_folder_or_file_is_named_after_the_patient(folder: Path) -> None:
    names = [path.name for path in folder.parent.rglob("*")]
    assert not [name for name in names if "HL" in name or "Zyxw" in name]


def test_a_name_in_the_path_reaches_no_file_of_the_recording_and_no_log(
    recorded: Result, folder: Path
) -> None:
    """The pictures are kept out of the search: in their bytes any four letters may stand by chance."""
    for path in folder.parent.rglob("*"):
        if path.is_file() and path.name != "images.h5":
            content = path.read_bytes()
            assert not [word for word in SECRET.split() if word.encode() in content], path


def test_analyse_prints_text_and_json(folder: Path) -> None:
    text = run("analyse", folder)
    assert text.exit_code == 0
    assert text.stdout.startswith("Spontaneous nystagmus: HL-0007")
    result = run("analyse", folder, "--json")
    assert result.exit_code == 0
    content = json.loads(result.stdout)
    assert content["recording"] == folder.name
    assert content["eyes"]["left"]["direction_proven"] is True
    keys = {finding["key"] for procedure in content["procedures"] for finding in procedure["findings"]}
    assert {"slow_phase_velocity", "fixation_index"} <= keys


@pytest.mark.parametrize("words", [[], ["--json"]], ids=["text", "json"])
def test_a_terminal_with_few_letters_is_no_obstacle(folder: Path, words: list[str]) -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "ui.command_line", "analyse", str(folder), *words],
        cwd=ROOT,
        env=os.environ | {"PYTHONIOENCODING": "ascii"},
        capture_output=True,
        check=True,
    )
    assert len(ran.stdout.splitlines()) > 20


def test_report_and_export_are_written_once_and_never_over_something(folder: Path, tmp_path: Path) -> None:
    pdf, tables = tmp_path / "new" / "report.pdf", tmp_path / "tables"
    assert run("report", folder, "--out", pdf).exit_code == 0
    assert pdf.read_bytes().startswith(b"%PDF-")
    assert run("export", folder, "--out", tables).exit_code == 0
    before = {path: path.read_bytes() for path in (pdf, *tables.iterdir())}
    for words in (["report", folder, "--out", pdf], ["export", folder, "--out", tables]):
        again = run(*words)
        assert again.exit_code == 1
        assert "exists already" in again.stderr
    assert {path: path.read_bytes() for path in before} == before


def test_exported_beats_of_a_down_beating_eye_are_named_and_signed(folder: Path, tmp_path: Path) -> None:
    """The true nystagmus of this recording is down-beating: slow phases go up, quick phases down."""
    run("export", folder, "--out", tmp_path / "tables")
    with (tmp_path / "tables" / "beats.csv").open() as file:
        beats = [row for row in csv.DictReader(file) if row["accepted"] == "True"]
    in_dark = [row for row in beats if float(row["slow_start_s"]) > 6.6]
    assert len(in_dark) >= 5
    assert {(row["eye"], row["axis"], row["direction"]) for row in in_dark} == {("left", "vertical", "down")}
    assert all(float(row["slow_phase_velocity_vertical_dps"]) > 0 for row in in_dark)
    assert all(float(row["amplitude_vertical_deg"]) < 0 for row in in_dark)
    about = json.loads((tmp_path / "tables" / "recording.json").read_text())
    assert about["directions"]["left"]["direction_words"] == "given"
    assert about["host_time_of_zero_s"] > 0


def test_without_targets_nothing_is_called_calibrated_and_no_direction_is_named(
    files: dict[str, Path], tmp_path: Path
) -> None:
    words = ["record", "--left", files["video"], "--left-times", files["times"], "--patient", "HL-0007"]
    result = run(*words)
    assert result.exit_code == 0, result.output
    assert run("export", result.stdout.splitlines()[-1], "--out", tmp_path / "tables").exit_code == 0
    with (tmp_path / "tables" / "beats.csv").open() as file:
        beats = list(csv.DictReader(file))
    assert beats
    assert {row["direction"] for row in beats} == {""}
    assert {row["calibrated"] for row in beats} == {"False"}
    about = json.loads((tmp_path / "tables" / "recording.json").read_text())
    assert about["directions"]["left"]["direction_words"].startswith("withheld")


@pytest.fixture(scope="module")
def one_picture(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, SimulatedPatient]:
    """A video that shows both eyes of a simulated patient, the pictures seen through a mirror."""
    scenario = Scenario((Hold(2.0, "light"),), blink_every_s=None)
    patient = SimulatedPatient(scenario, 3, rate_hz=50.0, size=(160, 120), camera=Camera(mirrored=True))
    source = patient.both()
    path = tmp_path_factory.mktemp("both") / "both.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"FFV1"), 50.0, (320, 120), isColor=False)
    while (frame := source.read()) is not None:
        writer.write(frame.image)
    writer.release()
    return path, patient


def region_of(view: EyeView) -> str:
    assert view.region_px is not None
    return ",".join(map(str, view.region_px))


@pytest.mark.parametrize("by", ["options", "profile"])
def test_both_eyes_in_one_picture_are_found_each_in_its_region(
    one_picture: tuple[Path, SimulatedPatient], by: str, tmp_path: Path
) -> None:
    """Pupils against the simulated ones, in pixels of the full picture; both ways to say where they are."""
    video, patient = one_picture
    views: dict[Eye, EyeView] = {view.eye: view for view in patient.both_views()}
    options = ["--mirrored"]
    for eye, view in views.items():
        options += [f"--{eye}-region", region_of(view)]
    if by == "profile":
        lines = ['name = "test goggles"', "[[cameras]]", 'identity = "C-1"']
        for eye, view in views.items():
            lines += [
                "[[cameras.views]]",
                f'eye = "{eye}"',
                "mirrored = true",
                f"region_px = [{region_of(view)}]",
            ]
        (tmp_path / "goggles.toml").write_text("\n".join(lines))
        options = ["--profile", str(tmp_path / "goggles.toml")]
    result = run("record", "--both", video, *options, "--patient", "HL-0007")
    assert result.exit_code == 0, result.output
    with open_recording(Path(result.stdout.splitlines()[-1])) as recording:
        for eye, view in views.items():
            true, seen = patient.truth.frames[eye], recording.samples[eye]
            assert view.region_px is not None
            off_px = np.hypot(seen["x_px"] - view.region_px[0] - true["x_px"], seen["y_px"] - true["y_px"])
            assert np.median(off_px) < 0.3
            assert recording.profile.view(eye).mirrored


def test_verify_accepts_what_was_sealed_and_finds_one_changed_byte(folder: Path, tmp_path: Path) -> None:
    assert run("verify", folder).exit_code == 0
    copy = shutil.copytree(folder, tmp_path / "copy")
    file = copy / "measurement.h5"
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.chmod(0o600)
    file.write_bytes(content)
    result = run("verify", copy)
    assert result.exit_code == 1
    assert "measurement.h5: changed" in result.stdout
    for name in ("analyse", "verify"):
        assert "Traceback" not in run(name, copy).output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--patient", "HL-0007"], "--right, --left, or --both"),
        (["--both", "VIDEO", "--left", "VIDEO", "--patient", "HL-0007"], "leave out"),
        (["--both", "VIDEO", "--patient", "HL-0007"], "--right-region"),
        (["--left", "VIDEO", "--right-times", "VIDEO", "--patient", "HL-0007"], "--right, which is missing"),
        (["--left", "VIDEO", "--left-region", "1,2,3", "--patient", "HL-0007"], "x,y,width,height"),
        (["--left", "VIDEO", "--left-region", "0,0,0,9", "--patient", "HL-0007"], "at 1"),
        (["--left", "VIDEO", "--rotation", "45", "--patient", "HL-0007"], "'45'"),
        (["--left", "VIDEO", "--profile", "VIDEO", "--mirrored", "--patient", "HL-0007"], "leave out mirror"),
        (["--left", "VIDEO"], "--patient"),
        (["--left", "VIDEO", "--patient", "HL-0007", "--year-of-birth", str(date.today().year + 1)], "range"),
        *(
            (["--left", "VIDEO", "--patient", code], "never a name")
            for code in ("../x", SECRET, "", "a" * 33, "-HL", "--data")
        ),
    ],
)
def test_options_that_make_no_sense_are_usage_errors(
    words: list[str], said: str, files: dict[str, Path], data: Path
) -> None:
    result = run("record", *(files["video"] if word == "VIDEO" else word for word in words))
    assert result.exit_code == 2, result.output
    assert said in " ".join(result.stderr.split())
    assert not list(data.glob("*-*-*"))


@pytest.mark.parametrize(
    ("option", "content"),
    [
        ("--left", b""),
        ("--left", b"not a video at all" * 100),
        ("--left-times", b"video_frame,host_time_s\n0,0.0\n1,0.02\n"),
        ("--left-times", b"video_frame,host_time_s\n0,1.0\n1,0.5\n"),
        ("--targets", b"start_s,end_s,horizontal_deg\n0,1,2\n"),
        ("--targets", b"start_s,end_s,horizontal_deg,vertical_deg\n0,2,0,0\n1,3,10,0\n"),
        ("--steps", b"start_s,end_s,step\n0,1,noon\n"),
        ("--steps", b"start_s,end_s,step\n0,nan,dark\n"),
        ("--steps", b"start_s,end_s,step\n2,1,dark\n"),
        ("--steps", b"start_s,end_s,step\n0,2,dark\n1,3,light\n"),
        ("--steps", b"from,to,what\n"),
        ("--notes", b"at_s,note\n1,somebody was here\n"),
        ("--profile", b"name = 3\n"),
    ],
)
def test_bad_files_are_named_and_nothing_is_recorded(
    option: str, content: bytes, files: dict[str, Path], tmp_path: Path, data: Path
) -> None:
    bad = tmp_path / "bad.file"
    bad.write_bytes(content)
    chosen = {"--left": files["video"], "--left-times": files["times"], option: bad}
    result = run("record", "--patient", "HL-0007", *(word for pair in chosen.items() for word in pair))
    assert result.exit_code == 1, result.output
    assert "bad.file" in result.stderr
    assert "Traceback" not in result.output
    assert not list(data.glob("*-*-*"))


def test_a_video_that_was_cut_off_keeps_what_came_before(files: dict[str, Path], tmp_path: Path) -> None:
    """The reason is told with the file's name, and stored without it."""
    short = tmp_path / f"{SECRET}.avi"
    short.write_bytes(files["video"].read_bytes()[:1_000_000])
    result = run("record", "--left", short, "--patient", "HL-0007")
    assert result.exit_code == 1
    assert SECRET in result.stderr
    folder = Path(result.stdout.splitlines()[-1])
    with open_recording(folder) as recording:
        assert not recording.complete
        assert len(recording.samples["left"]) > 50
    assert SECRET.encode() not in (folder / "measurement.h5").read_bytes()
    assert "Not complete" in result.stdout


def test_a_data_folder_that_cannot_be_one_is_refused(files: dict[str, Path], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    result = run(
        "record", "--left", files["video"], "--patient", "HL-0007", "--data", tmp_path / "file" / "x"
    )
    assert result.exit_code == 1
    assert "Choose a data folder" in result.stderr
    assert (tmp_path / "file").read_text() == "mine"


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_ctrl_c_keeps_what_was_recorded(phantom: Callable[[str], Path], data: Path) -> None:
    """As a terminal does it: the signal goes to the command and to every child of it."""
    video = phantom("s08") / "video_R.avi"
    command = [
        sys.executable,
        "-m",
        "ui.command_line",
        "record",
        "--right",
        str(video),
        "--patient",
        "HL-0007",
    ]
    child = subprocess.Popen(
        command,
        cwd=ROOT,
        env=os.environ | {"DRIFTBEAT_DATA": str(data)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        wait_for_pictures(child, data)
        os.killpg(child.pid, signal.SIGINT)
        out, err = child.communicate(timeout=100)
    finally:
        child.kill()
        child.communicate()
    assert child.returncode == 130, err
    assert "What was recorded so far is kept" in err
    with open_recording(Path(out.splitlines()[-1])) as recording:
        assert not recording.complete
        assert len(recording.samples["right"]) > 0


def wait_for_pictures(child: subprocess.Popen[str], data: Path) -> None:
    """Until some of the journal is on the disk."""
    while child.poll() is None:
        with contextlib.suppress(FileNotFoundError):  # the journal's side files come and go
            if any(file.stat().st_size > 1_000_000 for file in data.glob("*/journal.sqlite*")):
                return
        time.sleep(0.01)
    pytest.fail(f"the command ended by itself: {child.communicate()}")
