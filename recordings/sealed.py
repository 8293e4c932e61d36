"""A sealed recording, opened for reading."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from types import TracebackType

import msgspec
import numpy as np
from numpy.typing import NDArray

from capture.calibration import Calibration
from capture.profile import GoggleProfile
from capture.samples import Eye, Target
from recordings import gate
from recordings.errors import DamagedError, NotOursError, RecordingError, UnsealedError
from recordings.event import Event
from recordings.images_file import Pictures
from recordings.info import RecordingInfo
from recordings.layout import IMAGES, JOURNAL, MEASUREMENT, SEAL, refuse_without_locking, sealing_command
from recordings.measurement_file import Measurement, read_measurement
from recordings.seal import read_seal


def open_recording(folder: Path, *, foreign: bool = False) -> Recording:
    """Open a recording: its folder, or a lone measurement file from elsewhere.

    A sealed one of ours is compared with its seal (all of the measurement, the size of the pictures) and read
    here. One without a seal, or with `foreign`, is read in a process with limits; its pictures stay closed,
    and it is not `verified`: nobody can tell whether it is what was recorded.

    Raises UnsealedError, NotOursError, NewerFormatError or DamagedError. Nothing is changed.
    """
    refuse_without_locking()
    path = folder if folder.is_file() else folder / MEASUREMENT
    if foreign or not (folder / SEAL).exists():
        if not foreign and (folder / JOURNAL).exists():
            raise UnsealedError(
                f"{folder} is not sealed yet. Its samples are safe. Seal it with: {sealing_command(folder)}"
            )
        if not path.is_file():
            raise NotOursError(f"{folder} is not a recording of Driftbeat: there is no {MEASUREMENT} in it.")
        return Recording(folder, _read_foreign(path), None, verified=False)
    measurement = _read_sealed(folder)
    images = folder / IMAGES
    return Recording(folder, measurement, images if images.exists() else None, verified=True)


def _read_sealed(folder: Path) -> Measurement:
    seal = read_seal(folder)
    different = seal.difference(folder / MEASUREMENT)
    images = folder / IMAGES
    if not different and images.exists() and (IMAGES not in seal.files or seal.size_differs(images)):
        different = f"{IMAGES} is not the one that was sealed"
    if different:
        raise DamagedError(
            f"{folder} was changed or damaged after it was sealed: {different}. Nothing was read. "
            "Take it from a second copy."
        )
    gate.check(folder / MEASUREMENT)
    measurement = read_measurement(folder / MEASUREMENT)
    if measurement.info.id != seal.id:
        raise DamagedError(f"The seal in {folder} is that of another recording. Nothing was read.")
    return measurement


def _read_foreign(path: Path) -> Measurement:
    with TemporaryDirectory(prefix="driftbeat-") as clean:
        gate.rewrite_clean(path, Path(clean) / MEASUREMENT)
        return read_measurement(Path(clean) / MEASUREMENT)


class Recording:
    """What was measured; times count from the recording's zero, degrees are filled. Nothing in it changes.

    Use it in a `with` block, or close it, where pictures are looked at.
    """

    def __init__(
        self, folder: Path, measurement: Measurement, images: Path | None, *, verified: bool
    ) -> None:
        self.folder = folder
        self.verified = verified  # compared with its seal; False where there was none to compare with
        self.info: RecordingInfo = measurement.info
        self.profile: GoggleProfile = measurement.profile
        self.samples: Mapping[Eye, NDArray[np.void]] = measurement.samples  # rows of SAMPLE_DTYPE
        self.targets: tuple[Target, ...] = measurement.targets
        self.events: tuple[Event, ...] = measurement.events
        self.calibrations: Mapping[Eye, Calibration] = _calibrations(measurement, folder)
        self._images = images
        self._pictures: Pictures | None = None
        for rows in self.samples.values():
            rows.setflags(write=False)

    @property
    def complete(self) -> bool:
        """Whether the recording came to its own end; `info.ending` says why not."""
        return self.info.complete

    def image(self, eye: Eye, index: int) -> NDArray[np.uint8]:
        """The picture of sample `index`, (height, width), read-only, as delivered.

        Raises IndexError beyond the samples, RecordingError where pictures were not kept or were withdrawn,
        and DamagedError where one cannot be opened.
        """
        if self._images is None:
            raise RecordingError(f"The pictures of {self.folder} were not kept, or were withdrawn.")
        if self._pictures is None:
            gate.check(self._images, gate.IMAGES_LIMITS)
            self._pictures = Pictures(self._images)
        return self._pictures.image(eye, index)

    def close(self) -> None:
        """Let go of the pictures."""
        if self._pictures is not None:
            self._pictures.close()
            self._pictures = None

    def __enter__(self) -> Recording:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _calibrations(measurement: Measurement, folder: Path) -> dict[Eye, Calibration]:
    try:
        return {
            eye: msgspec.json.decode(text, type=Calibration) for eye, text in measurement.calibrations.items()
        }
    except msgspec.MsgspecError as error:
        raise DamagedError(f"A calibration in {folder} cannot be read ({error}).") from error
