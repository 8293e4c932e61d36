"""The exported tables, read back by two readers that are not ours."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pandas
import pytest

from capture.samples import SAMPLE_DTYPE
from recordings.errors import RecordingError
from recordings.export.tables import BeatRow, Proven, Tables, cell, write_tables

# The columns as others were told to expect them.
SAMPLES_HEAD = [
    *("frame", "time_s", "x_px", "y_px", "major_px", "minor_px", "angle_deg", "visible_share"),
    *("pupil_quality", "torsion_quality", "horizontal_deg", "vertical_deg", "torsional_deg", "calibrated"),
]
BEATS_HEAD = ["eye", "axis", "direction", "slow_start_s", "slow_end_s", "quick_start_s", "quick_end_s"]
for axis in ("horizontal", "vertical", "torsional"):
    BEATS_HEAD += [f"slow_phase_velocity_{axis}_dps", f"slow_phase_velocity_{axis}_se_dps"]
    BEATS_HEAD += [f"amplitude_{axis}_deg"]
BEATS_HEAD += ["calibrated", "accepted", "reason"]

NAN = math.nan
NO_TORSION = (NAN, NAN, NAN)
BEATS = (
    BeatRow(
        *("right", "horizontal", "right", 1.0, 1.25, 1.25, 1.3),
        *(-10.5, 0.1, 2.6),
        *(0.2, 0.1, -0.1),
        *NO_TORSION,
        *(True, True, "", True),
    ),
    BeatRow(
        *("left", "vertical", "", 2.0, 2.5, 2.5, 2.6),
        *(0.1, 0.1, 0.0),
        *(3.25, 0.3, -1.5),
        *NO_TORSION,
        *(True, False, '=HYPERLINK("http://x")', False),
    ),
)


def _samples(count: int) -> np.ndarray:
    random = np.random.default_rng(7)
    samples = np.zeros(count, SAMPLE_DTYPE)
    for name in SAMPLE_DTYPE.names or ():
        samples[name] = random.normal(size=count)
    samples["frame"] = np.arange(count) + (np.arange(count) >= 3)  # frame 3 was lost
    samples["repeated"] = np.arange(count) == 4
    for name in ("x_px", "horizontal_deg", "device_time_s"):
        samples[name][1] = np.nan
    return samples


def _tables(count: int = 12_345) -> Tables:
    return Tables(
        {"right": _samples(count), "left": _samples(5)},
        {"right": np.full((count, 2), (0.25, 0.5)), "left": np.full((5, 2), NAN)},
        {"right": Proven(True, True), "left": Proven(False, False)},
        BEATS,
        {"units": {"time_s": "s"}, "not_measured": NAN},
    )


def test_samples_come_back_bit_for_bit_through_the_standard_reader(tmp_path: Path) -> None:
    tables = _tables()
    write_tables(tmp_path / "out", tables)
    with (tmp_path / "out" / "samples_right.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0])[: len(SAMPLES_HEAD)] == SAMPLES_HEAD
    for name in SAMPLE_DTYPE.names or ():
        back = np.array([float(row[name]) if row[name] else NAN for row in rows])
        np.testing.assert_array_equal(back, tables.samples["right"][name], err_msg=name)
    assert [int(row["frame"]) for row in rows[:5]] == [0, 1, 2, 4, 5]
    assert rows[1]["x_px"] == ""
    assert {(row["horizontal_se_deg"], row["vertical_se_deg"]) for row in rows} == {("0.25", "0.5")}
    assert {row["calibrated"] for row in rows} == {"True"}


def test_samples_and_beats_come_back_through_pandas(tmp_path: Path) -> None:
    tables = _tables()
    write_tables(tmp_path / "out", tables)
    samples = pandas.read_csv(tmp_path / "out" / "samples_left.csv")
    np.testing.assert_array_equal(samples["time_s"], tables.samples["left"]["time_s"])
    assert samples["calibrated"].tolist() == [False] * 5
    assert samples["repeated"].tolist() == [0, 0, 0, 0, 1]
    beats = pandas.read_csv(tmp_path / "out" / "beats.csv")
    assert list(beats.columns) == [*BEATS_HEAD, "direction_proven"]
    assert beats["direction_proven"].tolist() == [True, False]
    assert samples["direction_proven"].tolist() == [False] * 5
    assert samples.columns[-6] == "direction_proven"
    assert samples[["horizontal_se_deg", "vertical_se_deg"]].isna().all(axis=None)
    assert beats["slow_phase_velocity_horizontal_dps"].tolist() == [-10.5, 0.1]
    assert beats["slow_phase_velocity_vertical_se_dps"].tolist() == [0.1, 0.3]
    assert beats["amplitude_torsional_deg"].isna().tolist() == [True, True]
    assert beats["accepted"].tolist() == [True, False]
    assert beats["direction"].isna().tolist() == [False, True]
    assert beats["reason"].isna().tolist() == [True, False]


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n"])
def test_no_text_cell_can_start_a_formula(start: str) -> None:
    assert cell(f"{start}1+1") == f"'{start}1+1"


def test_numbers_and_plain_words_stay_as_they_are() -> None:
    assert cell(-1.5) == -1.5
    assert cell("blink - lid") == "blink - lid"
    assert cell(math.inf) == ""


def test_a_formula_in_a_reason_is_guarded_in_the_file(tmp_path: Path) -> None:
    write_tables(tmp_path / "out", _tables())
    with (tmp_path / "out" / "beats.csv").open(newline="") as file:
        assert list(csv.DictReader(file))[1]["reason"] == '\'=HYPERLINK("http://x")'


def test_description_is_plain_json(tmp_path: Path) -> None:
    write_tables(tmp_path / "out", _tables())
    text = (tmp_path / "out" / "recording.json").read_text(encoding="utf-8")
    assert json.loads(text) == {"units": {"time_s": "s"}, "not_measured": None}


@pytest.mark.parametrize("there", ["file", "folder"])
def test_nothing_that_exists_is_overwritten(tmp_path: Path, there: str) -> None:
    out = tmp_path / "out"
    kept = out if there == "file" else out / "notes.txt"
    kept.parent.mkdir(exist_ok=True)
    kept.write_text("mine")
    with pytest.raises(RecordingError, match="exists already"):
        write_tables(out, _tables())
    assert kept.read_text() == "mine"
    assert list(tmp_path.rglob("*.csv")) == []


def test_an_empty_folder_is_taken(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    write_tables(tmp_path / "out", _tables())
    names = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert names == ["beats.csv", "recording.json", "samples_left.csv", "samples_right.csv"]


def test_an_interrupted_export_leaves_nothing(tmp_path: Path) -> None:
    def interrupt(rows: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_tables(tmp_path / "out", _tables(), advance=interrupt)
    assert list(tmp_path.iterdir()) == []


def test_progress_adds_up_to_every_row(tmp_path: Path) -> None:
    heard: list[int] = []
    write_tables(tmp_path / "out", _tables(12_345), advance=heard.append)
    assert sum(heard) == 12_345 + 5 + 2
