"""Notes of a test, from a CSV for recordings made from files: what the analysis of a test reads of them.

`at_s,note`, such as `31.2,line from +20.0 to +2.3`; the forms of a note stand in
`analysis.battery.vertical_notes`. Free text is refused: it may hold a name.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from pathlib import Path
from typing import NoReturn

from analysis.battery.vertical_notes import FORMS, is_note
from recordings.event import Event
from ui.messages import CommandError

COLUMNS = ["at_s", "note"]


def read_notes(path: Path) -> tuple[Event, ...]:
    """Read notes from a CSV with the columns `at_s,note`, in order of time; host time.

    Raises CommandError naming the file, the line and the remedy.
    """
    try:
        rows = list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError) as error:
        raise CommandError(f"The notes {path} cannot be read as text in UTF-8. Check the file.") from error
    if [name.strip() for name in (rows[0] if rows else [])] != COLUMNS:
        _refuse(path, "line 1 does not name the columns", f"Begin with {','.join(COLUMNS)}")
    return tuple(sorted(_notes(path, rows[1:])))


def _notes(path: Path, rows: list[list[str]]) -> Iterator[Event]:
    for number, row in enumerate(rows, start=2):
        if not any(row):
            continue
        try:
            at, text = (word.strip() for word in row)
            at_s = float(at)
        except ValueError:
            _refuse(path, f"line {number} is not {','.join(COLUMNS)}", "Write a number and a note")
        if not math.isfinite(at_s):
            _refuse(path, f"line {number}: the time is not a number", "Write seconds")
        if not is_note(text):
            _refuse(
                path,
                f"line {number} is not a note that a test reads",
                f"Write one such as {'; '.join(FORMS)}",
            )
        yield Event(at_s, at_s, "note", text)


def _refuse(path: Path, what: str, remedy: str) -> NoReturn:
    raise CommandError(f"The notes {path} cannot be used: {what}. Nothing was recorded. {remedy}.")
