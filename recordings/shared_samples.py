"""Memory that the recorder's process shares with a window: newest picture, last samples, what is committed.

    status:  [version u64][length u64][JSON]
    an eye:  [picture version u64][frame i64][time f64][samples written i64]
             [samples committed i64][frame of the last committed i64][same of its pictures i64]
             [number of the recording's first sample i64, -1: none yet]
             [ring of rows of SAMPLE_DTYPE][picture]

One process writes, any number read, nobody waits. A version is odd while what it guards is being written; a
reader that meets an odd one, or another one afterwards, looks again. This counts on a processor that keeps
the order of writes, as x86 does; on others a reader may rarely see a picture of two halves.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.shared_memory import SharedMemory

import msgspec
import numpy as np
from numpy.typing import NDArray

from capture.samples import EYES, SAMPLE_DTYPE, Eye, Frame
from recordings.child import safe_path_for_children
from recordings.journal import SampleRow
from recordings.journal_thread import Committed
from recordings.status import Status

ROWS = 5000  # 20 s at 250 samples/s
STATUS_BYTES = 1 << 15
STATUS_HEAD = struct.Struct("<QQ")
EYE_HEAD = struct.Struct("<Qqdqqqqq")
NEWEST, WRITTEN, COMMITTED, FIRST = 8, 24, 32, 56  # places in it
TRIES = 100  # looks at something that is being written


@dataclass(frozen=True, slots=True)
class SharedPlan:
    """Where the memory is and what is where in it; this is what a reader is given."""

    name: str
    sizes_px: tuple[tuple[Eye, int, int], ...]  # width, height of each eye's picture
    rows: int

    def places(self) -> dict[Eye, int]:
        """Where each eye begins."""
        places, at = {}, STATUS_HEAD.size + STATUS_BYTES
        for eye, width, height in self.sizes_px:
            places[eye] = at
            at += EYE_HEAD.size + self.rows * SAMPLE_DTYPE.itemsize + (width * height + 7) // 8 * 8
        return places

    def size_bytes(self) -> int:
        """All of it."""
        (eye, width, height) = self.sizes_px[-1]
        ring = self.rows * SAMPLE_DTYPE.itemsize
        return self.places()[eye] + EYE_HEAD.size + ring + (width * height + 7) // 8 * 8


@dataclass(frozen=True, slots=True)
class NewestPicture:
    """The last picture of one eye's camera."""

    frame: int
    time_s: float
    image: NDArray[np.uint8]  # (height, width)


@dataclass(frozen=True, slots=True)
class CommittedRows:
    """What of an eye is on the disk for good. Frames: -1 where there is none yet."""

    samples: int
    sample_frame: int
    picture_frame: int
    first: int | None = None  # number of the recording's first sample, as `samples` counts; None: none yet


class SharedWriter:
    """The recorder's side. Each eye's samples come from one thread, its pictures from one."""

    def __init__(self, sizes_px: Mapping[Eye, tuple[int, int]], cameras: Mapping[Eye, int]) -> None:
        """`sizes_px`: width, height of each eye's picture; `cameras`: its camera's place in the profile."""
        eyes: tuple[tuple[Eye, int, int], ...] = tuple((eye, *size) for eye, size in sizes_px.items())
        with safe_path_for_children():  # its first use starts the process that tidies up after us
            self._memory = SharedMemory(create=True, size=SharedPlan("", eyes, ROWS).size_bytes())
        self._buffer = _buffer(self._memory)
        self.plan = SharedPlan(self._memory.name, eyes, ROWS)
        self._cameras, self._places = cameras, self.plan.places()
        self._written = dict.fromkeys(sizes_px, 0)
        for eye in sizes_px:
            EYE_HEAD.pack_into(self._buffer, self._places[eye], 0, -1, np.nan, 0, 0, -1, -1, -1)

    def begin(self) -> None:
        """A recording begins: none of its samples has come yet."""
        for at in self._places.values():
            struct.pack_into("<qqqq", self._buffer, at + COMMITTED, 0, -1, -1, -1)

    def picture(self, eyes: tuple[Eye, ...], frame: Frame) -> None:
        """Show a frame that has arrived."""
        buffer = self._buffer
        for eye in eyes:
            at = self._places[eye]
            (version,) = struct.unpack_from("<Q", buffer, at)
            struct.pack_into("<Q", buffer, at, version + 1)
            start = at + EYE_HEAD.size + self.plan.rows * SAMPLE_DTYPE.itemsize
            buffer[start : start + frame.image.size] = frame.image.data.cast("B")
            struct.pack_into("<qd", buffer, at + NEWEST, frame.number, frame.time_s)
            struct.pack_into("<Q", buffer, at, version + 2)

    def sample(self, row: SampleRow, *, recorded: bool = False) -> None:
        """Show a sample; whether it goes into a recording."""
        eye, buffer = EYES[row.eye], self._buffer
        at, written = self._places[eye], self._written[eye]
        start = at + EYE_HEAD.size + written % self.plan.rows * SAMPLE_DTYPE.itemsize
        buffer[start : start + SAMPLE_DTYPE.itemsize] = row.row
        if recorded and struct.unpack_from("<q", buffer, at + FIRST)[0] < 0:
            struct.pack_into("<q", buffer, at + FIRST, written)
        self._written[eye] = written + 1
        struct.pack_into("<q", buffer, at + WRITTEN, written + 1)

    def committed(self, committed: Committed) -> None:
        """Show what is on the disk for good; a picture counts with its sample: alone it is not sealed."""
        for eye, at in self._places.items():
            sample = committed.sample_frame[eye]
            picture = min(committed.picture_frame.get(self._cameras[eye], -1), sample)
            struct.pack_into("<qqq", self._buffer, at + COMMITTED, committed.samples[eye], sample, picture)

    def status(self, status: Status) -> None:
        """Show how things are."""
        text = msgspec.json.encode(status)[:STATUS_BYTES]
        buffer = self._buffer
        version, _ = STATUS_HEAD.unpack_from(buffer)
        STATUS_HEAD.pack_into(buffer, 0, version + 1, len(text))
        buffer[STATUS_HEAD.size : STATUS_HEAD.size + len(text)] = text
        STATUS_HEAD.pack_into(buffer, 0, version + 2, len(text))

    def close(self) -> None:
        """Let go; readers keep what they have opened."""
        self._memory.close()
        self._memory.unlink()


def _buffer(memory: SharedMemory) -> memoryview:
    assert memory.buf is not None  # only after its close
    return memory.buf


class SharedReader:
    """The window's side."""

    def __init__(self, plan: SharedPlan) -> None:
        """Open what a writer of this computer made. Raises FileNotFoundError when it is gone."""
        self.plan = plan
        with safe_path_for_children():
            self._memory = SharedMemory(plan.name)
        self._buffer = _buffer(self._memory)
        self._places = plan.places()
        self._rings = {
            eye: np.ndarray((plan.rows,), SAMPLE_DTYPE, self._buffer, at + EYE_HEAD.size)
            for eye, at in self._places.items()
        }

    def written(self, eye: Eye) -> int:
        """How many samples there were so far."""
        return struct.unpack_from("<q", self._buffer, self._places[eye] + WRITTEN)[0]

    def samples(self, eye: Eye, after: int = 0) -> tuple[NDArray[np.void], int]:
        """Samples from number `after` on (n,) SAMPLE_DTYPE, host times, and the number of the next one.

        Those that were overwritten meanwhile are left out.
        """
        ring, rows = self._rings[eye], self.plan.rows
        end = self.written(eye)
        start = max(after, end - rows, 0)
        copied = ring[np.arange(start, end) % rows]
        gone = max(self.written(eye) + 1 - rows - start, 0)  # also the one that is being written now
        return copied[gone:], end

    def picture(self, eye: Eye) -> NewestPicture | None:
        """The newest picture; None before the first, or while they come too fast to be copied."""
        at, buffer = self._places[eye], self._buffer
        _, width, height = next(size for size in self.plan.sizes_px if size[0] == eye)
        start = at + EYE_HEAD.size + self.plan.rows * SAMPLE_DTYPE.itemsize
        for _ in range(TRIES):
            version, frame, time_s, *_ = EYE_HEAD.unpack_from(buffer, at)
            image = np.frombuffer(bytes(buffer[start : start + width * height]), np.uint8)
            if version % 2 == 0 and struct.unpack_from("<Q", buffer, at)[0] == version:
                return None if frame < 0 else NewestPicture(frame, time_s, image.reshape(height, width))
        return None

    def committed(self, eye: Eye) -> CommittedRows:
        """What of this eye is on the disk for good."""
        samples, sample_frame, picture_frame, first = struct.unpack_from(
            "<qqqq", self._buffer, self._places[eye] + COMMITTED
        )
        return CommittedRows(samples, sample_frame, picture_frame, None if first < 0 else first)

    def status(self) -> Status | None:
        """How things were at the last look of the recorder; None before its first."""
        for _ in range(TRIES):
            version, length = STATUS_HEAD.unpack_from(self._buffer)
            text = bytes(self._buffer[STATUS_HEAD.size : STATUS_HEAD.size + length])
            if version % 2 == 0 and STATUS_HEAD.unpack_from(self._buffer)[0] == version:
                return msgspec.json.decode(text, type=Status) if version else None
        return None

    def close(self) -> None:
        """Let go."""
        self._rings.clear()
        self._memory.close()

    def remove(self) -> None:
        """Free the memory of a writer that was killed before it could; one that ended well has done so."""
        with suppress(FileNotFoundError):
            self._memory.unlink()
