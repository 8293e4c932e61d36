"""images.h5: every kept picture's own bytes, one after another, and where each begins."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import h5py
import numpy as np
from numpy.typing import NDArray

from capture.picture import decode_grey
from capture.samples import Eye, Frame
from recordings.errors import DamagedError, RecordingError
from recordings.hdf5 import add_column, create, dataset_of, group_of, set_attributes, sync
from recordings.info import ImagesKept, Region
from recordings.layout import IMAGES_FORMAT, PICTURE_CHUNK_BYTES, VERSION, Column

JPEG_QUALITY = 90  # moves a pupil's centre by 0.017 px SD (design.md 5)
PNG_LEVEL = [cv2.IMWRITE_PNG_COMPRESSION, 1]
WRITE_BYTES = 64 * PICTURE_CHUNK_BYTES  # collected before they are written


@dataclass(frozen=True, slots=True)
class CameraPictures:
    """The pictures of one camera on their way into the file."""

    eyes: tuple[Eye, ...]  # in its picture
    frame: NDArray[np.int64]  # (n,) every frame of the source, kept or not
    size: NDArray[np.int64]  # (n,) bytes of its picture, 0 where it was not kept
    pictures: Iterator[bytes]  # the kept ones, in order


@dataclass(frozen=True, slots=True)
class PictureSums:
    """What the measurement remembers of the pictures."""

    pictures: int = 0
    pictures_bytes: int = 0
    pictures_sha256: str = ""


def write_images(path: Path, recording_id: str, cameras: Sequence[CameraPictures]) -> dict[Eye, PictureSums]:
    """Write a new file and put it on the disk. Raises FileExistsError rather than overwrite."""
    sums: dict[Eye, PictureSums] = {}
    with create(path) as file:
        set_attributes(
            file,
            {
                "format": IMAGES_FORMAT,
                "format_version": f"{VERSION[0]}.{VERSION[1]}",
                "id": recording_id,
                "encryption": "none",
            },
        )
        for camera in cameras:
            group = file.create_group(f"eyes/{camera.eyes[0]}")
            written = _write_camera(group, camera)
            for eye in camera.eyes[1:]:
                file[f"eyes/{eye}"] = group
            sums |= dict.fromkeys(camera.eyes, written)
    sync(path)
    return sums


def _write_camera(group: h5py.Group, camera: CameraPictures) -> PictureSums:
    offset = np.concatenate([[0], np.cumsum(camera.size)]).astype(np.int64)
    add_column(group, "frame", camera.frame, Column("1", "later; counts the frames of the source"))
    add_column(group, "offset", offset, Column("byte", "later; where each picture begins, and the end"))
    total = int(offset[-1])
    made = group.create_dataset(
        "bytes", (total,), np.uint8, chunks=(PICTURE_CHUNK_BYTES,), maxshape=(None,), fletcher32=True
    )
    set_attributes(made, {"units": "byte", "positive": "none"})
    digest, at, waiting = _digest(offset, camera.frame), 0, bytearray()
    for picture in camera.pictures:
        digest.update(picture)
        waiting += picture
        if len(waiting) >= WRITE_BYTES:
            made[at : at + WRITE_BYTES] = np.frombuffer(waiting, np.uint8, WRITE_BYTES)
            at += WRITE_BYTES
            waiting = waiting[WRITE_BYTES:]
    if at + len(waiting) != total:
        raise DamagedError(f"{at + len(waiting)} bytes of pictures came where {total} were announced.")
    made[at:] = np.frombuffer(waiting, np.uint8)
    return PictureSums(int(np.count_nonzero(camera.size)), total, digest.hexdigest())


def kept_bytes(
    frame: Frame, kept: ImagesKept, quality: int = JPEG_QUALITY, crop_px: Region | None = None
) -> bytes:
    """What is kept of a picture: the camera's own JPEG as it came, else a JPEG or PNG of it or of a part."""
    image = frame.image
    if crop_px is not None:
        x, y, width, height = crop_px
        image = image[y : y + height, x : x + width]
    elif frame.encoded is not None:
        return frame.encoded
    if kept == "lossless":
        return cv2.imencode(".png", image, PNG_LEVEL)[1].tobytes()
    return cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes()


def read_sums(path: Path, eyes: Sequence[Eye]) -> dict[Eye, PictureSums]:
    """Read a whole file back and sum it up anew."""
    sums: dict[Eye, PictureSums] = {}
    with h5py.File(path, "r") as file:
        for eye in eyes:
            group = group_of(file, f"eyes/{eye}")
            offset, stored = dataset_of(group, "offset")[:], dataset_of(group, "bytes")
            digest = _digest(offset, dataset_of(group, "frame")[:])
            for at in range(0, len(stored), WRITE_BYTES):
                digest.update(stored[at : at + WRITE_BYTES])
            sums[eye] = PictureSums(int(np.count_nonzero(np.diff(offset))), len(stored), digest.hexdigest())
    return sums


def _digest(offset: NDArray[np.int64], frame: NDArray[np.int64]) -> hashlib._Hash:
    """The hash of a camera's pictures begins with where each of them stands."""
    digest = hashlib.sha256(offset.astype("<i8").tobytes())
    digest.update(frame.astype("<i8").tobytes())
    return digest


class Pictures:
    """Pictures of a sealed file, one at a time."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file = h5py.File(path, "r")
        self._offset: dict[Eye, NDArray[np.int64]] = {}

    def encoded(self, eye: Eye, index: int) -> bytes:
        """The kept bytes of one picture; empty where it was not kept. IndexError beyond the samples."""
        if eye not in self._offset:
            self._offset[eye] = dataset_of(self._file, f"eyes/{eye}/offset")[:]
        offset = self._offset[eye]
        if not 0 <= index < len(offset) - 1:
            raise IndexError(f"there is no picture {index} of the {eye} eye")
        return dataset_of(self._file, f"eyes/{eye}/bytes")[offset[index] : offset[index + 1]].tobytes()

    def image(self, eye: Eye, index: int) -> NDArray[np.uint8]:
        """One picture as delivered, (height, width), read-only."""
        data = self.encoded(eye, index)
        if not data:
            raise RecordingError(f"Picture {index} of the {eye} eye was not kept in {self._path}.")
        image = decode_grey(data)
        if image is None:
            raise DamagedError(f"Picture {index} of the {eye} eye in {self._path} cannot be opened.")
        return image

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()
