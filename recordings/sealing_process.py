"""Sealing in a child process, and finishing at the next start what a crash left behind."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from recordings.child import child_command, child_environment
from recordings.errors import RecordingError, UnsealedError
from recordings.layout import IMAGES, JOURNAL, MEASUREMENT, UNFINISHED


class LeftOver(NamedTuple):
    """A recording that was not sealed, and what became of it."""

    folder: Path
    problem: str  # empty: it is sealed now


def seal_in_child(folder: Path, step: Callable[[str], None] | None = None) -> None:
    """Seal a recording in a process of its own, which goes on when this one is interrupted or dies.

    `step` is called with the name of each step that is done. Raises UnsealedError with the reason; the
    journal then stays and is sealed by the next `seal_left_overs`.
    """
    child = subprocess.Popen(
        child_command("recordings.sealing", str(folder)),
        env=child_environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        creationflags=subprocess.CREATE_NEW_PROCESS_GROUP if sys.platform == "win32" else 0,
    )
    with child:
        assert child.stdout is not None
        assert child.stderr is not None
        for line in child.stdout:
            if step is not None:
                step(line.strip())
        reason = child.stderr.read().strip().splitlines()
    if child.returncode != 0:
        for name in (MEASUREMENT, IMAGES):
            (folder / (name + UNFINISHED)).unlink(missing_ok=True)
        raise UnsealedError(
            f"{folder} could not be sealed ({reason[-1] if reason else f'code {child.returncode}'}). Its "
            "samples are safe in its journal. Free some space if the disk is full, and seal it again."
        )


def left_overs(data_folder: Path) -> tuple[Path, ...]:
    """Folders of recordings with a journal: being recorded now, or left behind by a crash."""
    return tuple(path.parent for path in sorted(data_folder.glob(f"*/{JOURNAL}")))


def seal_left_overs(data_folder: Path) -> tuple[LeftOver, ...]:
    """Seal each recording that a crash left behind; one that is being recorded now is told as a problem."""
    found = []
    for folder in left_overs(data_folder):
        try:
            seal_in_child(folder)
            found.append(LeftOver(folder, ""))
        except RecordingError as error:
            found.append(LeftOver(folder, str(error)))
    return tuple(found)
