"""The live recording: an SQLite file that survives a kill, a power cut and a full disk.

WAL mode, synchronous=FULL; the one connection holds an exclusive lock for life, so a second program finds
out at once that the recording has an owner, and the lock dies with its owner. One thread makes, fills and
closes it.
"""

from __future__ import annotations

import os
import sqlite3
import struct
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from capture.samples import EYES, NAN, SAMPLE_DTYPE, Eye, Frame, Target, Tracked
from recordings.errors import DamagedError, RecordingError, UnsealedError
from recordings.event import Event
from recordings.info import RECOVERED, Ending, Opening
from recordings.layout import ADDED_COLUMNS, JOURNAL

JOURNAL_VERSION = 1
PRAGMAS = (
    "page_size=65536",  # several pictures a page: half the time of small pages, measured
    "locking_mode=EXCLUSIVE",
    "journal_mode=WAL",
    "synchronous=FULL",
    "wal_autocheckpoint=256",  # 16 MiB
)
SCHEMA = """
CREATE TABLE about (key TEXT PRIMARY KEY, value BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE sample (sequence INTEGER PRIMARY KEY, eye INTEGER NOT NULL, row BLOB NOT NULL);
CREATE TABLE image (sequence INTEGER PRIMARY KEY, camera INTEGER NOT NULL, frame INTEGER NOT NULL,
    bytes BLOB NOT NULL);
CREATE TABLE target (start_s REAL, end_s REAL, horizontal_deg REAL, vertical_deg REAL);
CREATE TABLE event (start_s REAL, end_s REAL, kind TEXT, text TEXT);
"""
_ROW = struct.Struct("<qddB15d")
assert _ROW.size == SAMPLE_DTYPE.itemsize, "a packed row and SAMPLE_DTYPE are one layout"
_ADDED = struct.pack(f"<{len(ADDED_COLUMNS)}d", *(NAN for _ in ADDED_COLUMNS))  # where an older row ends


class SampleRow(NamedTuple):
    """One sample on its way into the journal; times are the host's, degrees are not known yet."""

    eye: int  # place in EYES
    row: bytes


class ImageRow(NamedTuple):
    """One picture on its way into the journal."""

    camera: int  # place in the profile
    frame: int
    bytes: bytes


def pack_sample(eye: Eye, frame: Frame, tracked: Tracked) -> SampleRow:
    """One frame of one eye, as the journal keeps it."""
    pupil = tracked.pupil
    row = _ROW.pack(
        frame.number, frame.time_s, frame.device_time_s, frame.repeated, *pupil,
        tracked.rotation_deg, tracked.torsion_quality, NAN, NAN, NAN,
        tracked.glint_x_px, tracked.glint_y_px, tracked.glint_count,
    )  # fmt: skip
    return SampleRow(EYES.index(eye), row)


class Journal:
    """The open journal of one recording: all its methods belong to one thread.

    Raises sqlite3.Error where the disk does not take it; what was committed before is safe.
    """

    def __init__(self, folder: Path, opening: Opening, calibrations: Mapping[Eye, bytes]) -> None:
        self._database = sqlite3.connect(folder / JOURNAL, isolation_level=None, timeout=0)
        for pragma in PRAGMAS:
            self._database.execute(f"PRAGMA {pragma}")
        self._database.execute("BEGIN IMMEDIATE")
        for statement in SCHEMA.split(";"):
            self._database.execute(statement)
        self._about("version", str(JOURNAL_VERSION).encode())
        self._about("opening", msgspec.json.encode(opening))
        for eye, calibration in calibrations.items():
            self._about(f"calibration/{eye}", calibration)
        self.commit()
        sync_folder(folder)

    def add(self, samples: Iterable[SampleRow], images: Iterable[ImageRow]) -> None:
        """Add rows to the open transaction."""
        self._database.executemany("INSERT INTO sample (eye, row) VALUES (?, ?)", samples)
        self._database.executemany("INSERT INTO image (camera, frame, bytes) VALUES (?, ?, ?)", images)

    def add_target(self, target: Target) -> None:
        """Add what the patient was shown, in the host's time."""
        self._database.execute("INSERT INTO target VALUES (?, ?, ?, ?)", target)

    def add_event(self, event: Event) -> None:
        """Add what happened, in the host's time."""
        self._database.execute("INSERT INTO event VALUES (?, ?, ?, ?)", event)

    def end(self, ending: Ending) -> None:
        """Say how it ended, once."""
        self._about("ending", msgspec.json.encode(ending))

    def commit(self) -> None:
        """Put everything on the disk, and begin anew."""
        self._database.execute("COMMIT")
        self._database.execute("BEGIN IMMEDIATE")

    def close(self) -> None:
        """Let go of the file; what was not committed is lost."""
        self._database.close()

    def _about(self, key: str, value: bytes) -> None:
        self._database.execute("INSERT INTO about VALUES (?, ?)", (key, value))


class FinishedJournal:
    """A journal that nobody writes to any more, read for sealing. Holds the lock until it is closed."""

    def __init__(self, folder: Path) -> None:
        """Open it. Raises UnsealedError when somebody owns it, DamagedError when it cannot be read."""
        self._path = folder / JOURNAL
        if not self._path.exists():
            raise DamagedError(f"There is no journal in {folder}.")
        self._database = sqlite3.connect(self._path, isolation_level=None, timeout=0)
        try:
            self._database.execute("PRAGMA locking_mode=EXCLUSIVE")
            self._database.execute("BEGIN EXCLUSIVE")
            self._known = dict(self._database.execute("SELECT key, value FROM about").fetchall())
            self.opening = msgspec.json.decode(self._known["opening"], type=Opening)
        except (sqlite3.DatabaseError, KeyError, msgspec.MsgspecError) as error:
            self.close()
            raise self._unusable(error) from error

    def _unusable(self, error: Exception) -> RecordingError:
        if "locked" in str(error):
            return UnsealedError(f"{self._path.parent} is being recorded or sealed by another program.")
        if "no such table" in str(error):
            return DamagedError(
                f"The journal {self._path} holds nothing: the program ended before the first frame. "
                "The folder may be deleted."
            )
        return DamagedError(f"The journal {self._path} cannot be read ({error}). It was left as it is.")

    @property
    def ending(self) -> Ending:
        """How the recording ended; recovered when the program ended first."""
        return (
            msgspec.json.decode(self._known["ending"], type=Ending) if "ending" in self._known else RECOVERED
        )

    def calibration(self, eye: Eye) -> bytes | None:
        """The calibration that was given before the start, as JSON."""
        return self._known.get(f"calibration/{eye}")

    def samples(self, eye: Eye) -> NDArray[np.void]:
        """All samples of one eye, (n,) SAMPLE_DTYPE, host times; degrees and what older rows lack: NaN."""
        rows = self._database.execute(
            "SELECT row FROM sample WHERE eye = ? ORDER BY sequence", [EYES.index(eye)]
        )
        whole = (row if len(row) == _ROW.size else row + _ADDED for (row,) in rows)
        return np.frombuffer(bytearray().join(whole), SAMPLE_DTYPE)

    def images(self, camera: int) -> Iterator[tuple[int, bytes]]:
        """Frame number and bytes of each picture of one camera, in order."""
        yield from self._database.execute(
            "SELECT frame, bytes FROM image WHERE camera = ? ORDER BY sequence", [camera]
        )

    def image_sizes(self, camera: int) -> dict[int, int]:
        """Bytes of each picture of one camera, by frame number."""
        return dict(
            self._database.execute(
                "SELECT frame, length(bytes) FROM image WHERE camera = ? ORDER BY sequence", [camera]
            )
        )

    def targets(self) -> tuple[Target, ...]:
        """Targets, in the host's time."""
        return tuple(Target(*row) for row in self._database.execute("SELECT * FROM target ORDER BY rowid"))

    def events(self) -> tuple[Event, ...]:
        """Events, in the host's time."""
        return tuple(Event(*row) for row in self._database.execute("SELECT * FROM event ORDER BY rowid"))

    def close(self) -> None:
        """Let go of the file and its lock."""
        self._database.close()

    def delete(self) -> None:
        """Close and remove the journal, once a seal stands in its place."""
        self.close()
        for ending in ("-wal", "-shm", ""):  # the journal itself last: it is what a later start looks for
            self._path.with_name(self._path.name + ending).unlink(missing_ok=True)
        sync_folder(self._path.parent)


def sync_folder(folder: Path) -> None:
    """Make the names in a folder survive a power cut. Windows has no such call; its file system decides."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
