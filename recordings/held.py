"""A live recording still in memory: what can be measured while its file is being sealed.

Holds the samples that the recorder shares; pictures stay with the recorder. Worked out by the same steps as
the sealed file, so both give the same figures (a few frames at the ends aside).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property

import msgspec
import numpy as np
from numpy.typing import NDArray

from capture.calibration import Calibration
from capture.profile import GoggleProfile
from capture.samples import SAMPLE_DTYPE, Eye, Target
from recordings.event import Event
from recordings.info import Circumstances, Ending, EyeSource, LiveOpening, Opening, RecordingInfo, software
from recordings.measurement_file import Measurement
from recordings.measuring import measure
from recordings.shared_samples import SharedReader


@dataclass(frozen=True, slots=True)
class _Held:
    """What `measure` reads of a journal, in memory."""

    opening: Opening
    ending: Ending
    rows: Mapping[Eye, NDArray[np.void]]
    marked: tuple[Target | Event, ...]
    given: Mapping[Eye, Calibration]

    def samples(self, eye: Eye) -> NDArray[np.void]:
        return self.rows[eye]

    def targets(self) -> tuple[Target, ...]:
        return tuple(row for row in self.marked if isinstance(row, Target))

    def events(self) -> tuple[Event, ...]:
        return tuple(row for row in self.marked if isinstance(row, Event))

    def calibration(self, eye: Eye) -> bytes | None:
        return msgspec.json.encode(self.given[eye]) if eye in self.given else None


class HeldRecording:
    """Collects from its making to `close`; then it is a `Recorded` of the analysis."""

    def __init__(
        self,
        reader: SharedReader,
        profile: GoggleProfile,
        circumstances: Circumstances,
        calibrations: Mapping[Eye, Calibration],
        now_s: float,
    ) -> None:
        """`now_s`: the host's time."""
        self.profile = profile
        self.complete, self.verified = False, True  # nothing was read back from a disk
        self._reader, self._circumstances = reader, circumstances
        self._given, self._start_s = dict(calibrations), now_s
        self._utc = datetime.now(UTC)
        self._taken: dict[Eye, int] = {eye: reader.written(eye) for eye, _, _ in reader.plan.sizes_px}
        self._pieces: dict[Eye, list[NDArray[np.void]]] = {eye: [] for eye in self._taken}
        self._marked: list[Target | Event] = []

    def tick(self) -> None:
        """Take what is new; at least once in the seconds that the shared memory holds."""
        for eye, pieces in self._pieces.items():
            rows, self._taken[eye] = self._reader.samples(eye, self._taken[eye])
            if len(rows):
                pieces.append(rows)

    def mark(self, what: Target | Event) -> None:
        """Add a target or an event, in the host's time."""
        self._marked.append(what)

    def close(self, complete: bool) -> None:
        """No more samples. May not be called before the recorder has tracked the last one that counts."""
        self.tick()
        self.complete = complete

    @cached_property
    def _measured(self) -> Measurement:
        rows: dict[Eye, NDArray[np.void]] = {
            eye: np.concatenate(pieces) if pieces else np.empty(0, SAMPLE_DTYPE)
            for eye, pieces in self._pieces.items()
        }
        sources = tuple(
            EyeSource(eye, self.profile.camera(eye).identity, "", width, height, np.nan, "measured")
            for eye, width, height in self._reader.plan.sizes_px
        )
        utc = self._utc.isoformat(timespec="milliseconds")
        opening = Opening(
            "", utc, software(), "", self._circumstances, self.profile, sources, "none",
            LiveOpening(utc, self._start_s),
        )  # fmt: skip
        ending = Ending(self.complete, "" if self.complete else "stopped early")
        return measure(_Held(opening, ending, rows, tuple(self._marked), self._given), {})

    @property
    def info(self) -> RecordingInfo:
        """What it says about itself."""
        return self._measured.info

    @property
    def samples(self) -> Mapping[Eye, NDArray[np.void]]:
        """Rows of SAMPLE_DTYPE in degrees, from the recording's zero."""
        return self._measured.samples

    @property
    def targets(self) -> tuple[Target, ...]:
        """Where the patient was asked to look."""
        return self._measured.targets

    @property
    def events(self) -> tuple[Event, ...]:
        """What happened."""
        return self._measured.events

    @property
    def calibrations(self) -> Mapping[Eye, Calibration]:
        """Of each eye."""
        return {
            eye: msgspec.json.decode(text, type=Calibration)
            for eye, text in self._measured.calibrations.items()
        }
