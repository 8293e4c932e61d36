"""The folder of a new recording, and whether the disk has room for it."""

from __future__ import annotations

import math
import shutil
import uuid
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from capture.source import SourceInfo
from recordings.errors import StorageError
from recordings.info import ImagesKept
from recordings.journal import sync_folder

MEBIBYTE = 1 << 20


@dataclass(frozen=True, slots=True)
class SpaceRule:
    """How much room a recording needs and when it stops."""

    times_expected: float = 2.0  # the journal and the sealed files stand side by side for a while
    spare_bytes: int = 1 << 30  # reliability.md, hazard 8
    stop_bytes: int = 500 << 20  # reliability.md, hazard 8: a running recording ends in good order below this
    sample_bytes: int = 200  # one sample of one eye in the journal; estimated from its row of 121 bytes
    jpeg_bytes_per_px: float = 0.2  # of an infrared eye picture at quality 90; estimated, simulated have 0.11
    lossless_bytes_per_px: float = 0.7  # the same as PNG, noise and all; estimated


def expected_bytes(sources: Iterable[tuple[SourceInfo, int]], images: ImagesKept, rule: SpaceRule) -> int:
    """How large the journal will be, from each source with its number of eyes; 0 for one without an end."""
    per_px = {"jpeg": rule.jpeg_bytes_per_px, "lossless": rule.lossless_bytes_per_px, "none": 0.0}[images]
    return sum(
        int((info.frame_count or 0) * (eyes * rule.sample_bytes + info.width_px * info.height_px * per_px))
        for info, eyes in sources
    )


def check_space(folder: Path, expected: int, rule: SpaceRule) -> None:
    """Raise StorageError when the disk of `folder` has too little room."""
    free, needed = free_bytes(folder), int(rule.times_expected * expected) + rule.spare_bytes
    if free < needed:
        raise StorageError(
            f"The disk of {folder} has {free // MEBIBYTE} MiB free, but this recording may need "
            f"{needed // MEBIBYTE} MiB. Nothing was recorded. Free some space or choose another data folder."
        )


def free_bytes(folder: Path) -> int:
    """Room on the disk of a folder."""
    return shutil.disk_usage(folder).free


def bytes_per_s(
    sources: Iterable[tuple[SourceInfo, int, float]], images: ImagesKept, rule: SpaceRule
) -> float:
    """How fast a live recording grows, from each source with its number of eyes and its true rate (Hz)."""
    return sum(
        rate_hz * expected_bytes([(replace(info, frame_count=1), eyes)], images, rule)
        for info, eyes, rate_hz in sources
    )


def hours_left(free: int, per_s: float, rule: SpaceRule) -> float:
    """For how long a disk with `free` bytes can take a recording, its sealing included."""
    return max(free - rule.spare_bytes, 0) / (rule.times_expected * per_s) / 3600 if per_s > 0 else math.inf


def open_data_folder(data_folder: Path) -> None:
    """Make the data folder where there is none. Raises StorageError."""
    try:
        data_folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _unusable(data_folder, error) from error


def make_folder(data_folder: Path) -> Path:
    """A new, empty folder with a random name. Raises StorageError; an existing one is never used again."""
    folder = data_folder / str(uuid.uuid4())
    try:
        folder.mkdir(mode=0o700)
        sync_folder(data_folder)
    except OSError as error:
        raise _unusable(data_folder, error) from error
    return folder


def _unusable(data_folder: Path, error: OSError) -> StorageError:
    return StorageError(
        f"No recording can be made in {data_folder} ({error.strerror}). Nothing was recorded. "
        "Choose a data folder that you may write to."
    )
