"""seal.json: sizes and SHA-256 of the two files of a recording, written last."""

from __future__ import annotations

import hashlib
import os
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from recordings.errors import DamagedError, NewerFormatError
from recordings.info import RecordingInfo
from recordings.journal import sync_folder
from recordings.layout import IMAGES, MEASUREMENT, SEAL, UNFINISHED

SEAL_VERSION = 1
LARGEST_SEAL_BYTES = 1 << 16


class FileSeal(msgspec.Struct, frozen=True):
    """One file as it was sealed."""

    bytes: int
    sha256: str


class Seal(msgspec.Struct, frozen=True):
    """A recording as it was sealed."""

    version: int
    id: str
    software: str
    sealed_utc: str
    complete: bool
    files: dict[str, FileSeal]

    def differences(self, folder: Path) -> tuple[str, ...]:
        """What is not as it was sealed, in words; pictures that are gone were withdrawn: no difference."""
        return tuple(text for name in self.files if (text := self.difference(folder / name)))

    def difference(self, path: Path) -> str:
        """What is not as it was sealed in one file, in words; empty when nothing."""
        if not path.exists():
            return "" if path.name == IMAGES else f"{path.name} is missing"
        if self.size_differs(path):
            sealed = self.files[path.name].bytes
            return f"{path.name} has {path.stat().st_size} bytes, not the {sealed} that were sealed"
        if sha256_of(path) != self.files[path.name].sha256:
            return f"{path.name} has other contents than were sealed"
        return ""

    def size_differs(self, path: Path) -> bool:
        """The quick look: whether a file has another size than was sealed."""
        return path.stat().st_size != self.files[path.name].bytes


def sha256_of(path: Path) -> str:
    """Hash of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_seal(folder: Path, info: RecordingInfo) -> None:
    """Write the seal so that after a power cut it is there as a whole or not at all."""
    paths = [path for name in (MEASUREMENT, IMAGES) if (path := folder / name).exists()]
    files = {path.name: FileSeal(path.stat().st_size, sha256_of(path)) for path in paths}
    now = datetime.now(UTC).isoformat(timespec="seconds")
    made = Seal(SEAL_VERSION, info.id, info.software, now, info.complete, files)
    unfinished = folder / (SEAL + UNFINISHED)
    with unfinished.open("xb") as file:
        file.write(msgspec.json.format(msgspec.json.encode(made)))
        file.flush()
        os.fsync(file.fileno())
    unfinished.rename(folder / SEAL)
    sync_folder(folder)


def read_seal(folder: Path) -> Seal:
    """Read a seal. Raises NewerFormatError or DamagedError."""
    path = folder / SEAL
    try:
        with path.open("rb") as file:
            text = file.read(LARGEST_SEAL_BYTES)
        version = msgspec.json.decode(text)["version"]
        if version > SEAL_VERSION:
            raise NewerFormatError(
                f"{path} was made by a newer version of Driftbeat. Update it to open {folder}."
            )
        seal = msgspec.json.decode(text, type=Seal)
    except (OSError, msgspec.MsgspecError, KeyError, TypeError) as error:
        raise DamagedError(f"The seal {path} cannot be read ({error}). Nothing was changed.") from error
    if MEASUREMENT not in seal.files or not set(seal.files) <= {MEASUREMENT, IMAGES}:
        raise DamagedError(f"The seal {path} does not name the files of a recording. Nothing was changed.")
    return seal
