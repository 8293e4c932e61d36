"""Samples, beats and a description of both as CSV and JSON, for any other program.

A cell without a value is empty. A number reads back as the same float64. A text that a spreadsheet would run
as a formula gets an apostrophe in front.
"""

from __future__ import annotations

import csv
import math
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import mkdtemp
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from capture.samples import Eye
from recordings.errors import RecordingError

SAMPLE_COLUMNS = (
    "frame", "time_s", "x_px", "y_px", "major_px", "minor_px", "angle_deg", "visible_share", "pupil_quality",
    "torsion_quality", "horizontal_deg", "vertical_deg", "torsional_deg", "calibrated",
    "repeated", "device_time_s", "rotation_deg", "direction_proven",
    "glint_x_px", "glint_y_px", "glint_count", "horizontal_se_deg", "vertical_se_deg",
)  # fmt: skip
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
ROWS_AT_ONCE = 5000


class BeatRow(NamedTuple):
    """One beat, its fields the columns of beats.csv. NaN and "" are missing."""

    eye: str
    axis: str
    direction: str  # of the quick phase; empty where the recording's direction is not proven
    slow_start_s: float
    slow_end_s: float
    quick_start_s: float
    quick_end_s: float
    slow_phase_velocity_horizontal_dps: float
    slow_phase_velocity_horizontal_se_dps: float
    amplitude_horizontal_deg: float
    slow_phase_velocity_vertical_dps: float
    slow_phase_velocity_vertical_se_dps: float
    amplitude_vertical_deg: float
    slow_phase_velocity_torsional_dps: float
    slow_phase_velocity_torsional_se_dps: float
    amplitude_torsional_deg: float
    calibrated: bool
    accepted: bool
    reason: str
    direction_proven: bool  # whether signs are those of the patient, not only of the picture


class Proven(NamedTuple):
    """What is proven of one eye: its columns `calibrated` and `direction_proven`."""

    calibrated: bool
    direction_proven: bool


@dataclass(frozen=True, slots=True)
class Tables:
    """What an export holds. `samples` are n rows of SAMPLE_DTYPE; `description` goes into recording.json."""

    samples: Mapping[Eye, NDArray[np.void]]
    standard_errors_deg: Mapping[Eye, NDArray[np.float64]]  # (n, 2) of horizontal and vertical degrees
    proven: Mapping[Eye, Proven]
    beats: Sequence[BeatRow]
    description: Mapping[str, object]


def write_tables(folder: Path, tables: Tables, advance: Callable[[int], object] = lambda rows: None) -> None:
    """Write samples_<eye>.csv, beats.csv and recording.json into `folder`, which must be new or empty.

    `advance` hears how many rows were written, for a progress bar. All is written beside and renamed at the
    end, so `folder` holds a whole export or none. Raises RecordingError when `folder` holds something or
    cannot be written.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise RecordingError(f"{folder} exists already; nothing there was touched. Choose a new folder.")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        _write_beside(folder, tables, advance)
    except OSError as error:  # its own text would name the file beside, which nobody asked for
        raise RecordingError(
            f"The tables could not be written to {folder} ({error.strerror}). Nothing is left there and the "
            "recording is untouched. Choose another folder, or free some space."
        ) from error


def _write_beside(folder: Path, tables: Tables, advance: Callable[[int], object]) -> None:
    unfinished = Path(mkdtemp(prefix=".unfinished-", dir=folder.parent))
    try:
        for eye, samples in tables.samples.items():
            rows = sample_rows(samples, tables.standard_errors_deg[eye], tables.proven[eye])
            _write_csv(unfinished / f"samples_{eye}.csv", SAMPLE_COLUMNS, rows, advance)
        _write_csv(unfinished / "beats.csv", BeatRow._fields, tables.beats, advance)
        text = msgspec.json.format(msgspec.json.encode(tables.description), indent=2)
        (unfinished / "recording.json").write_bytes(text + b"\n")
        if folder.exists():
            folder.rmdir()  # empty; Windows does not rename onto it
        unfinished.rename(folder)
    except BaseException:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise


def sample_rows(
    samples: NDArray[np.void], standard_errors_deg: NDArray[np.float64], proven: Proven
) -> Iterable[Sequence[object]]:
    """Rows of samples_<eye>.csv in the order of SAMPLE_COLUMNS, from what Tables holds of one eye."""
    for start in range(0, len(samples), ROWS_AT_ONCE):
        part = samples[start : start + ROWS_AT_ONCE]
        given = {name: [value] * len(part) for name, value in proven._asdict().items()}
        errors = standard_errors_deg[start : start + ROWS_AT_ONCE].T.tolist()
        given |= dict(zip(("horizontal_se_deg", "vertical_se_deg"), errors, strict=True))
        columns = (given[name] if name in given else part[name].tolist() for name in SAMPLE_COLUMNS)
        yield from zip(*columns, strict=True)


def _write_csv(
    path: Path, columns: Sequence[str], rows: Iterable[Sequence[object]], advance: Callable[[int], object]
) -> None:
    with path.open("x", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        count = 0
        for row in rows:
            writer.writerow([cell(value) for value in row])
            count += 1
            if count % ROWS_AT_ONCE == 0:
                advance(ROWS_AT_ONCE)
        advance(count % ROWS_AT_ONCE)


def cell(value: object) -> object:
    """One value as a cell: nothing for NaN and infinities, a guarded text, or the value itself."""
    if isinstance(value, float):
        return value if math.isfinite(value) else ""
    if isinstance(value, str) and value.startswith(FORMULA_STARTS):
        return f"'{value}"
    return value
