"""The caloric test of an invented patient, four sealed recordings of one day, through the commands.

Truth: each ear's warm and cool response reach the same peak, 8 deg/s on the right and 25 on the left, so the
weakness is 100 (16 - 50) / (16 + 50) = -51.5 %: 52 % on the right.
"""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import pytest
from click.testing import CliRunner, Result
from pypdf import PdfReader

from analysis.battery import procedure_named
from capture.calibration import Calibration
from capture.samples import EYES
from capture.simulation.patterns import Pattern, person
from capture.simulation.traces import Seeing
from recordings.info import EyeInfo
from recordings.layout import MEASUREMENT
from recordings.measurement_file import read_measurement, write_measurement
from tests.analysis.led_patient import CALIBRATED, Led, lead
from tests.recordings.making import reseal, sealed
from ui.command_line import main

RIGHT_DPS, LEFT_DPS = 8.0, 25.0
KEYS = ("right_warm", "left_warm", "right_cool", "left_cool")


def led_folder(folder: Path, led: Led, minute: int, patient: str = "HL-0007") -> Path:
    """`folder`, a copy of a sealed recording, made to hold what was led."""
    before = read_measurement(folder / MEASUREMENT)
    recording = led.recording
    name = f"0f8b5c52-1b1a-4c5e-9f0e-2f6a5d7c{minute:04d}"
    counted = ("frames", "lost", "measured_rate_hz", "times", "nominal_rate_hz")
    eyes: dict[Any, EyeInfo] = {
        eye: msgspec.structs.replace(
            info, **{k: getattr(recording.info.eyes[eye], k) for k in counted}, repeated=0
        )
        for eye, info in before.info.eyes.items()
    }
    info = msgspec.structs.replace(
        before.info,
        id=name,
        made_utc=f"2026-11-25T13:{minute:02d}:00Z",
        patient_code=patient,
        procedure=recording.info.procedure,
        eyes=eyes,
        birth_year=1960,
    )
    known = {k: v for k, v in vars(CALIBRATED).items() if v is not None}
    texts = {
        eye: msgspec.json.encode(
            msgspec.structs.replace(msgspec.json.decode(text, type=Calibration), **known)
        )
        for eye, text in before.calibrations.items()
    }
    (folder / MEASUREMENT).unlink()
    rows = {eye: recording.samples[eye] for eye in before.samples}
    held = replace(before, info=info, samples=rows, events=recording.events, calibrations=texts, arrival_s={})
    write_measurement(folder / MEASUREMENT, held)
    seal = json.loads((folder / "seal.json").read_text())
    (folder / "seal.json").write_text(json.dumps({**seal, "id": name}))
    reseal(folder)
    return folder


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Folder of each irrigation, and of the right warm one done again."""
    place = tmp_path_factory.mktemp("visit")
    empty = sealed(place)
    patient = person(Pattern(), RIGHT_DPS, LEFT_DPS)
    seeing = dict.fromkeys(EYES, Seeing(rate_hz=60.0))
    folders = {}
    for minute, key in enumerate((*KEYS, "again")):
        procedure = procedure_named(f"caloric_{'right_warm' if key == 'again' else key}")
        led = lead(procedure, patient, 1 + minute, seeing)
        folders[key] = led_folder(Path(shutil.copytree(empty, place / key)), led, minute)
    other = lead(procedure_named("caloric_left_cool"), patient, 9, seeing)
    folders["other patient"] = led_folder(Path(shutil.copytree(empty, place / "other")), other, 30, "HL-0008")
    return folders


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def test_the_whole_test_in_words(visit: dict[str, Path]) -> None:
    shown = run("analyse", *(visit[key] for key in KEYS))
    assert shown.exit_code == 0
    said = " ".join(shown.output.split())
    for eye in EYES:
        words = rf"{eye.capitalize()} eye: unilateral weakness \(canal paresis\) (\d+) % right; 95 % interval"
        (percent,) = re.findall(words, said)
        assert float(percent) == pytest.approx(51.5, abs=3.0)
    assert "Fits reduced function of the right horizontal canal or its nerve" in said
    assert said.count("Caloric, right ear warm") >= 2  # its own text, and among the recordings


def test_missing_and_doubled_irrigations_stand_with_their_reason(visit: dict[str, Path]) -> None:
    folders = [visit[key] for key in ("again", "right_warm", "left_warm", "right_cool")]
    shown = run("analyse", "--json", *folders)
    assert shown.exit_code == 0
    whole = json.loads(shown.output)
    assert len(whole["recordings"]) == 4
    (summary,) = whole["summaries"]
    assert summary["cautions"] == [
        "left cool: not recorded",
        "caloric_right_warm: done 2 times; the last one counts",
    ]
    weak = [f for f in summary["findings"] if f["key"] == "unilateral_weakness"]
    assert [(f["value"], f["reason"]) for f in weak] == [(None, "left cool: not recorded")] * 2
    warm = [f for f in summary["findings"] if f["key"] == "monothermal_asymmetry"]
    assert [f["value"] for f in warm] == pytest.approx([-51.5] * 2, abs=4.0)
    assert summary["fits"] == []


def test_the_whole_test_on_paper(visit: dict[str, Path], tmp_path: Path) -> None:
    out = tmp_path / "caloric.pdf"
    assert run("report", *(visit[key] for key in KEYS), "--out", out).exit_code == 0
    printed = " ".join("".join(page.extract_text() for page in PdfReader(out).pages).split())
    assert "Caloric test" in printed
    assert re.search(r"canal paresis\) \d+ % right", printed)
    assert "HL-0007" in printed
    assert "interpretation" in printed


def test_two_patients_are_not_mixed(visit: dict[str, Path], tmp_path: Path) -> None:
    shown = run("report", visit["right_warm"], visit["other patient"], "--out", tmp_path / "no.pdf")
    assert shown.exit_code != 0
    assert "HL-0007 and HL-0008" in shown.output
    assert not (tmp_path / "no.pdf").exists()


def test_a_recording_named_twice(visit: dict[str, Path]) -> None:
    shown = run("analyse", visit["right_warm"], visit["right_warm"])
    assert shown.exit_code != 0
    assert "the same recording" in shown.output
