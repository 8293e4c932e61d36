"""A live recording at hand: what can be measured while its file is being sealed.

    held = HeldRecording(recorder.reader, calibrations)
    recorder.start(Start(circumstances, calibrations=calibrations))
    held.tick()                                   # 30 times a second, or at least every few seconds
    held.mark(event); recorder.mark(event)        # the same to both
    recorder.stop()
    held.close(recorder.facts())
    analyse_recording(held)

Holds the samples that the recorder shares; pictures stay with the recorder. Worked out by the same steps as
the sealed file from the same samples, so both give the same figures.
"""

from __future__ import annotations

import tempfile
import threading
import weakref
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import msgspec
import numpy as np
from numpy.typing import NDArray

from capture.calibration import Calibration
from capture.profile import GoggleProfile
from capture.samples import SAMPLE_DTYPE, Eye, Target
from recordings.commands import Facts
from recordings.event import Event
from recordings.info import Ending, Opening, RecordingInfo
from recordings.measurement_file import Measurement
from recordings.measuring import measure
from recordings.shared_samples import CommittedRows, SharedReader

BLOCK_ROWS = 2000  # 8 s at 250/s, 300 kB
NUMBERED = np.dtype([("number", np.int64), ("row", SAMPLE_DTYPE)])
MISSED = (
    "some samples are not in this result (the window stood still for too long, or the temporary folder is "
    "full); the file has them"
)


@dataclass(frozen=True, slots=True)
class _Held:
    """What `measure` reads of a journal."""

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


class _Collected:
    """Samples of one eye as they were shared, with the number of each one; memory is flat.

    Full blocks go to a nameless file of the system's temporary folder, each on a thread of its own: a slow
    disk must not hold up whoever looks.
    """

    def __init__(self, after: int) -> None:
        self.after = after  # number of the next one
        self._block, self._filled = np.empty(BLOCK_ROWS, NUMBERED), 0
        self._file = tempfile.TemporaryFile()  # noqa: SIM115 - until it is measured
        weakref.finalize(self, self._file.close)  # of a test that came to nothing, too
        self._writing: threading.Thread | None = None
        self._refused = False  # by the disk

    def add(self, rows: NDArray[np.void], end: int) -> None:
        first, self.after = end - len(rows), end
        while len(rows):
            taken = rows[: BLOCK_ROWS - self._filled]
            place = slice(self._filled, self._filled + len(taken))
            self._block["row"][place] = taken
            self._block["number"][place] = np.arange(first, first + len(taken))
            rows, first, self._filled = rows[len(taken) :], first + len(taken), place.stop
            if self._filled == BLOCK_ROWS:
                self._put_away()

    def _put_away(self) -> None:
        self._wait()
        self._writing = threading.Thread(target=self._write, args=(self._block.tobytes(),))
        self._writing.start()
        self._filled = 0

    def _write(self, block: bytes) -> None:
        try:
            self._file.write(block)
        except OSError:
            self._refused = True

    def _wait(self) -> None:
        if self._writing is not None:
            self._writing.join()

    def rows(self, recorded: CommittedRows) -> NDArray[np.void]:
        """Those that belong to the recording, once; fewer where some were overwritten or not taken."""
        self._wait()
        with self._file as file:
            file.seek(0)
            away = b"" if self._refused else file.read()
        kept = np.concatenate([np.frombuffer(away, NUMBERED), self._block[: self._filled]])
        first = recorded.first or 0
        return kept["row"][(kept["number"] >= first) & (kept["number"] < first + recorded.samples)]


class HeldRecording:
    """Collects from its making to `close`; then it is a `Recorded` of the analysis."""

    def __init__(self, reader: SharedReader, calibrations: Mapping[Eye, Calibration]) -> None:
        """Before the recorder is asked to start; `calibrations` are those that it is given then."""
        self.verified = True  # nothing was read back from a disk
        self._reader, self._given = reader, dict(calibrations)
        self._taken: dict[Eye, _Collected] = {
            eye: _Collected(reader.written(eye)) for eye, _, _ in reader.plan.sizes_px
        }
        self._marked: list[Target | Event] = []
        self._held: _Held | None = None

    def tick(self) -> None:
        """Take what is new; at least once in the seconds that the shared memory holds (20 at 250/s)."""
        for eye, taken in self._taken.items():
            taken.add(*self._reader.samples(eye, taken.after))

    def mark(self, what: Target | Event) -> None:
        """Add a target or an event, in the host's time."""
        self._marked.append(what)

    def close(self, facts: Facts) -> None:
        """No more samples. After the recorder has answered that it stopped, and before its next start."""
        self.tick()
        recorded = {eye: self._reader.committed(eye) for eye in self._taken}
        rows: dict[Eye, NDArray[np.void]] = {
            eye: taken.rows(recorded[eye]) for eye, taken in self._taken.items()
        }
        missed = any(len(rows[eye]) < recorded[eye].samples for eye in rows)
        self._held = _Held(
            msgspec.structs.replace(facts.opening, images="none"),
            Ending(False, MISSED) if missed else facts.ending,
            rows,
            tuple(self._marked),
            self._given,
        )

    @property
    def complete(self) -> bool:
        """Whether it came to its end, and all of it is here."""
        return self._held is not None and self._held.ending.complete

    @property
    def profile(self) -> GoggleProfile:
        """Of the goggles."""
        assert self._held is not None
        return self._held.opening.profile

    @cached_property
    def _measured(self) -> Measurement:
        assert self._held is not None, "it is still being recorded"
        return measure(self._held, {})

    @property
    def info(self) -> RecordingInfo:
        """What it says about itself; of pictures nothing."""
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
