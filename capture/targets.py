"""Calibration targets: what the patient was asked to look at, read from a CSV."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import NoReturn

from capture.errors import TargetsError
from capture.samples import Target

TARGET_COLUMNS = ("start_s", "end_s", "horizontal_deg", "vertical_deg")
LARGEST_ANGLE_DEG = 60.0  # no eye looks farther without the head (ocular range about 55 deg, from memory)


def read_targets(path: Path) -> tuple[Target, ...]:
    """Read targets from a CSV with the columns `start_s,end_s,horizontal_deg,vertical_deg`, in order of time.

    Times in seconds of the source's host clock, angles in degrees (patient's right and up positive). Other
    columns are ignored. Raises TargetsError naming the file, the line and the remedy.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise TargetsError(
            f"The targets {path} cannot be read ({error.strerror}). Check the path."
        ) from error
    except UnicodeDecodeError as error:
        raise TargetsError(
            f"The targets {path} are not text in UTF-8. Save them as a CSV in UTF-8."
        ) from error
    numbered = sorted(_numbered_targets(path, text), key=lambda item: item[1].start_s)
    if not numbered:
        _refuse(path, "has no target in it", "Add at least three targets, or record without the file")
    _refuse_overlap(path, numbered)
    return tuple(target for _, target in numbered)


def _numbered_targets(path: Path, text: str) -> Iterator[tuple[int, Target]]:
    """Line number and target of each line that is not blank."""
    rows = csv.reader(text.splitlines())
    header = [name.strip() for name in next(rows, [])]
    for name in TARGET_COLUMNS:
        if header.count(name) != 1:
            _refuse(
                path, f"line 1 must name the column {name} once", f"Begin with {','.join(TARGET_COLUMNS)}"
            )
    columns = [header.index(name) for name in TARGET_COLUMNS]
    for row in rows:
        if any(cell.strip() for cell in row):
            cells = [row[column] if column < len(row) else "" for column in columns]
            yield rows.line_num, _target(path, rows.line_num, cells)


def _target(path: Path, line: int, cells: Sequence[str]) -> Target:
    """One line as a target."""
    values: list[float] = []
    for name, cell in zip(TARGET_COLUMNS, cells, strict=True):
        try:
            values.append(float(cell))
        except ValueError:
            _refuse(
                path,
                f"line {line}: {name} is {cell.strip()!r}, not a number",
                "Write a decimal point, no comma",
            )
        if not math.isfinite(values[-1]):
            _refuse(path, f"line {line}: {name} is {cell.strip()!r}, not a finite number", "Write a number")
    target = Target(*values)
    if target.end_s <= target.start_s:
        _refuse(path, f"line {line}: the target ends before it starts", "Swap or correct start_s and end_s")
    if max(abs(target.horizontal_deg), abs(target.vertical_deg)) > LARGEST_ANGLE_DEG:
        remedy = "Write visual angles in degrees, not centimetres or pixels"
        _refuse(path, f"line {line}: a target beyond {LARGEST_ANGLE_DEG:.0f} deg cannot be looked at", remedy)
    return target


def _refuse_overlap(path: Path, numbered: Sequence[tuple[int, Target]]) -> None:
    """An eye cannot look at two targets at once; neighbours may share an instant (1 ms of rounding)."""
    for (line, first), (other, second) in pairwise(numbered):
        if second.start_s < first.end_s - 1e-3:
            kind = "twice the same target" if first[2:] == second[2:] else "contradictory: two targets"
            _refuse(path, f"lines {line} and {other} are {kind} at the same time", "Correct their times")


def _refuse(path: Path, what: str, remedy: str) -> NoReturn:
    raise TargetsError(f"The targets {path} cannot be used: {what}. Nothing was recorded. {remedy}.")
