"""From a finished journal to a sealed recording, in a process: `python -m recordings.sealing FOLDER`.

    written as *.new -> read back and compared -> renamed -> folder synced -> seal.json -> journal deleted

Killed anywhere, it leaves a journal, or a seal with a journal beside it; both are finished by the next call.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from capture.samples import Eye
from recordings.errors import DamagedError, RecordingError
from recordings.images_file import PictureSums, read_sums, write_images
from recordings.journal import FinishedJournal, sync_folder
from recordings.layout import (
    IMAGES,
    JOURNAL,
    MEASUREMENT,
    OWNER,
    SEAL,
    UNFINISHED,
    refuse_without_locking,
)
from recordings.measurement_file import read_measurement, write_measurement
from recordings.measuring import measure, pictures_of
from recordings.priority import stand_back
from recordings.seal import read_seal, write_seal

Step = Callable[[str], None]


def seal(folder: Path, step: Step = lambda name: None) -> None:
    """Seal the recording in `folder`; `step` is called with the name of each step that is done.

    Raises UnsealedError when another program owns the journal, DamagedError when it cannot be read or when
    the disk gives back something else than was written. The journal then stays.
    """
    refuse_without_locking()
    if _is_sealed(folder):
        FinishedJournal(folder).delete()
        return _done(folder, step)
    journal = FinishedJournal(folder)
    try:
        clear_unsealed(folder)
        _build(folder, journal, step)
        journal.delete()
    finally:
        journal.close()
    return _done(folder, step)


def _done(folder: Path, step: Step) -> None:
    with suppress(OSError):  # what an owner left that died meanwhile
        (folder / OWNER).unlink(missing_ok=True)
    step("journal deleted")


def _is_sealed(folder: Path) -> bool:
    """Whether an earlier call came as far as a true seal."""
    try:
        return (folder / SEAL).exists() and not read_seal(folder).differences(folder)
    except RecordingError:
        return False


def clear_unsealed(folder: Path) -> None:
    """Remove what an interrupted sealing left; its journal is still there and holds everything."""
    if not (folder / JOURNAL).exists():
        raise DamagedError(f"{folder} has no journal, so nothing in it may be removed.")
    for name in (SEAL, MEASUREMENT, IMAGES):
        (folder / name).unlink(missing_ok=True)
        (folder / (name + UNFINISHED)).unlink(missing_ok=True)


def _build(folder: Path, journal: FinishedJournal, step: Step) -> None:
    images, measured = folder / (IMAGES + UNFINISHED), folder / (MEASUREMENT + UNFINISHED)
    sums: dict[Eye, PictureSums] = {}
    if journal.opening.images != "none":
        sums = write_images(images, journal.opening.id, pictures_of(journal))
        step("images written")
    measurement = measure(journal, sums)
    write_measurement(measured, measurement)
    step("measurement written")
    if read_measurement(measured).sha256() != measurement.sha256() or (
        sums and read_sums(images, list(sums)) != sums
    ):
        raise DamagedError(f"What was written to {folder} reads back differently. The journal in it is safe.")
    step("read back")
    for name in (IMAGES, MEASUREMENT) if sums else (MEASUREMENT,):
        (folder / (name + UNFINISHED)).rename(folder / name)
        step(f"{name} renamed")
    sync_folder(folder)
    step("folder synced")
    write_seal(folder, measurement.info)
    step("sealed")


def _tell_parent(step: str) -> None:
    """A parent that was interrupted or died does not read any more; sealing goes on."""
    with suppress(OSError):
        os.write(1, f"{step}\n".encode())


def main(arguments: list[str]) -> int:
    """Seal one folder; prints each step. Ends at once after an error: HDF5 must not be touched again then."""
    try:
        if arguments[1:] == ["behind"]:
            stand_back()
        seal(Path(arguments[0]), _tell_parent)
    except Exception as error:
        sys.stderr.write(f"{error}\n")
        sys.stderr.flush()
        os._exit(1)
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
