"""Recordings that a command names, opened and measured together."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from ui.messages import CommandError

if TYPE_CHECKING:
    from analysis.visit import VisitResult
    from recordings.sealed import Recording


def analysed(folders: tuple[Path, ...], opened: ExitStack) -> tuple[list[Recording], VisitResult]:
    """Open each folder for as long as `opened` lasts, and measure all.

    Raises CommandError for a folder that is named twice, and for several patients or days.
    """
    from analysis.visit import NotOneVisitError, analyse_visit
    from recordings.sealed import open_recording
    from ui.progress import working

    recordings = [opened.enter_context(open_recording(folder)) for folder in folders]
    ids = [recording.info.id for recording in recordings]
    if twice := [str(f) for f, i in zip(folders, ids, strict=True) if ids.count(i) > 1]:
        raise CommandError(f"{' and '.join(twice)} are the same recording. Name each once.")
    with working("Analysing"):
        try:
            return recordings, analyse_visit(recordings)
        except NotOneVisitError as error:
            raise CommandError(f"Nothing was measured: {error}. Name those of one visit.") from error
