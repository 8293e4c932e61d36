"""The steps of a test, from a CSV for recordings made from files: any that a procedure of the battery has.

`start_s,end_s,step`, and where a step moves the patient or asks for a word, `reached_s`: when the position
was reached or the patient confirmed.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple, NoReturn

from analysis.battery import EVERY
from analysis.procedure import Step
from recordings.event import Event
from ui.messages import CommandError

STEP_COLUMNS = ["start_s", "end_s", "step"]
REACHED_COLUMN = "reached_s"
KEYS = tuple(dict.fromkeys(step.key for procedure in EVERY for step in procedure.steps))


class TimedStep(NamedTuple):
    """One step, in seconds of the source's host clock."""

    start_s: float
    end_s: float
    asked: Step  # by the test
    reached_s: float | None = None  # the position was reached, or the patient confirmed; None: not marked

    def events(self, later_s: float = 0.0) -> list[Event]:
        """What a recording keeps of it, `later_s` later."""
        found = [Event(self.start_s + later_s, self.end_s + later_s, "step", self.asked.key)]
        if self.reached_s is not None:
            kind = "reached" if self.asked.moves else "confirmed"
            found.append(Event(self.reached_s + later_s, self.reached_s + later_s, kind, self.asked.key))
        return found


class Line(NamedTuple):
    """One line of the file: its number, times, and the key of a step."""

    number: int
    start_s: float
    end_s: float
    key: str
    reached_s: float | None = None


def read_steps(path: Path) -> tuple[TimedStep, ...]:
    """Read steps from a CSV with the columns `start_s,end_s,step` and perhaps `reached_s`, in order of time.

    Raises CommandError naming the file, the line and the remedy.
    """
    try:
        rows = list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError) as error:
        raise CommandError(f"The steps {path} cannot be read as text in UTF-8. Check the file.") from error
    columns = [name.strip() for name in rows[0]] if rows else []
    if columns not in (STEP_COLUMNS, [*STEP_COLUMNS, REACHED_COLUMN]):
        _refuse(path, "line 1 does not name the columns", f"Begin with {','.join(STEP_COLUMNS)}")
    lines = sorted(_lines(path, rows[1:], len(columns)), key=lambda line: line.start_s)
    for before, after in pairwise(lines):
        if after.start_s < before.end_s:
            _refuse(
                path, f"the steps at {before.start_s} s and {after.start_s} s overlap", "Correct their times"
            )
    asked = _asked(path, {line.key for line in lines})
    steps = tuple(TimedStep(line.start_s, line.end_s, asked[line.key], line.reached_s) for line in lines)
    for line, step in zip(lines, steps, strict=True):
        if why := _why_not_reached(step):
            _refuse(path, f"line {line.number}: {why}", f"Correct or empty {REACHED_COLUMN}")
    return steps


def _asked(path: Path, keys: set[str]) -> dict[str, Step]:
    """The steps of the first test that has all of these; two tests may call different steps the same."""
    able = [p.steps for p in EVERY if keys <= {step.key for step in p.steps}]
    if not able:
        _refuse(path, f"no test has the steps {', '.join(sorted(keys))} together", "Name those of one test")
    return {step.key: step for step in able[0]}


def _lines(path: Path, rows: list[list[str]], columns: int) -> Iterator[Line]:
    for number, row in enumerate(rows, start=2):
        if not any(row):
            continue
        try:
            if len(row) != columns:
                raise ValueError
            start, end, word, *reached = (text.strip() for text in row)
            line = Line(number, float(start), float(end), word, *(float(text) for text in reached if text))
        except ValueError:
            _refuse(path, f"line {number} is not start_s,end_s,step", "Write two numbers and a word")
        if line.key not in KEYS:
            _refuse(path, f"line {number} names the step {line.key!r}", f"Use one of {', '.join(KEYS)}")
        if not (math.isfinite(line.start_s) and line.start_s < line.end_s < math.inf):
            _refuse(
                path, f"line {number}: the step ends before it starts", "Swap or correct start_s and end_s"
            )
        yield line


def _why_not_reached(step: TimedStep) -> str:
    if step.reached_s is None:
        return ""
    if not (step.asked.moves or step.asked.confirm):
        return f"the step {step.asked.key} neither moves the patient nor asks for a word"
    if not step.start_s <= step.reached_s <= step.end_s:
        return f"{REACHED_COLUMN} lies outside the step"
    return ""


def _refuse(path: Path, what: str, remedy: str) -> NoReturn:
    raise CommandError(f"The steps {path} cannot be used: {what}. Nothing was recorded. {remedy}.")
