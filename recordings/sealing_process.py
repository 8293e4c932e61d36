"""Sealing in a child process, and finishing at the next start what a crash left behind."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from recordings.child import child_command, child_environment
from recordings.errors import RecordingError, UnsealedError
from recordings.layout import IMAGES, JOURNAL, MEASUREMENT, UNFINISHED, sealing_command
from recordings.owner import Owner, has_owner


class LeftOver(NamedTuple):
    """A recording that was not sealed, and what became of it."""

    folder: Path
    problem: str  # empty: it is sealed now


def seal_in_child(folder: Path, step: Callable[[str], None] | None = None, *, behind: bool = False) -> None:
    """Seal a recording in a process of its own, which goes on when this one is interrupted or dies.

    `step` is called with the name of each step that is done; `behind` lets the child take only the time that
    a running recording leaves over. Raises UnsealedError with the reason; the
    journal then stays and is sealed by the next `seal_left_overs`.
    """
    child = subprocess.Popen(
        child_command("recordings.sealing", str(folder), *(["behind"] if behind else [])),
        env=child_environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        creationflags=_creation_flags(behind),
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
            "samples are safe in its journal. Free some space if the disk is full, then: "
            + sealing_command(folder)
        )


def _creation_flags(behind: bool) -> int:
    if sys.platform != "win32":
        return 0
    slow = subprocess.BELOW_NORMAL_PRIORITY_CLASS if behind else 0
    return subprocess.CREATE_NEW_PROCESS_GROUP | slow


def left_overs(data_folder: Path) -> tuple[Path, ...]:
    """Folders of recordings with a journal: being recorded now, or left behind by a crash."""
    return tuple(path.parent for path in sorted(data_folder.glob(f"*/{JOURNAL}")))


def seal_left_overs(data_folder: Path) -> tuple[LeftOver, ...]:
    """Seal each recording that a crash left behind; one that is being recorded is a problem."""
    return tuple(_seal_left_over(folder) for folder in left_overs(data_folder))


def _seal_left_over(folder: Path, *, behind: bool = False) -> LeftOver:
    try:
        owner = Owner(folder)
    except (RecordingError, OSError) as error:
        return LeftOver(folder, str(error))
    try:
        seal_in_child(folder, behind=behind)
    except RecordingError as error:
        return LeftOver(folder, str(error))
    finally:
        owner.release()
    return LeftOver(folder, "")


class Repair:
    """Seals what a crash left behind, in the background, while the program is already in use."""

    def __init__(self, data_folder: Path) -> None:
        """Begin at once."""
        self.found: tuple[LeftOver, ...] = ()
        self.waiting = len([folder for folder in left_overs(data_folder) if not has_owner(folder)])
        self._data_folder = data_folder
        self._thread = threading.Thread(target=self._run, name="repair", daemon=True)
        self._thread.start()

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait for its end; whether it came. Then `found` tells what became of each."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        for folder in left_overs(self._data_folder):
            if not has_owner(folder):
                self.found = (*self.found, _seal_left_over(folder, behind=True))
