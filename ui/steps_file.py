"""The steps of a test, from a CSV for recordings made from files: when it was light, dark, or fixated."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple, NoReturn

from ui.messages import CommandError

STEP_COLUMNS = ["start_s", "end_s", "step"]
STEPS = ("light", "dark", "fixation")


class TimedStep(NamedTuple):
    """One step, in seconds of the source's host clock."""

    start_s: float
    end_s: float
    step: str


def read_steps(path: Path) -> tuple[TimedStep, ...]:
    """Read steps from a CSV with the columns `start_s,end_s,step`, in order of time.

    Raises CommandError naming the file, the line and the remedy.
    """
    try:
        rows = list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError) as error:
        raise CommandError(f"The steps {path} cannot be read as text in UTF-8. Check the file.") from error
    if not rows or [name.strip() for name in rows[0]] != STEP_COLUMNS:
        _refuse(path, "line 1 does not name the columns", f"Begin with {','.join(STEP_COLUMNS)}")
    steps = sorted(_steps(path, rows[1:]))
    for before, after in pairwise(steps):
        if after.start_s < before.end_s:
            _refuse(
                path, f"the steps at {before.start_s} s and {after.start_s} s overlap", "Correct their times"
            )
    return tuple(steps)


def _steps(path: Path, rows: list[list[str]]) -> Iterator[TimedStep]:
    for number, row in enumerate(rows, start=2):
        if not any(row):
            continue
        try:
            start, end, word = row
            step = TimedStep(float(start), float(end), word.strip())
        except ValueError:
            _refuse(path, f"line {number} is not start_s,end_s,step", "Write two numbers and a word")
        if step.step not in STEPS:
            _refuse(path, f"line {number} names the step {step.step!r}", f"Use one of {', '.join(STEPS)}")
        if not (math.isfinite(step.start_s) and step.start_s < step.end_s < math.inf):
            _refuse(
                path, f"line {number}: the step ends before it starts", "Swap or correct start_s and end_s"
            )
        yield step


def _refuse(path: Path, what: str, remedy: str) -> NoReturn:
    raise CommandError(f"The steps {path} cannot be used: {what}. Nothing was recorded. {remedy}.")
