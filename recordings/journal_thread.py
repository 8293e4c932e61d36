"""The thread that alone owns the open journal: it takes rows from a bounded queue and commits each 0.25 s.

A file waits while the queue is full, so nothing is lost. A camera cannot wait: while the disk is slow its
pictures are dropped first, and counted; a sample is never dropped.
"""

from __future__ import annotations

import sqlite3
import struct
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from capture.clock import SystemClock
from capture.samples import EYES, Eye, Target
from recordings.bounded_queue import BoundedQueue
from recordings.errors import StorageError
from recordings.event import Event
from recordings.info import Ending, Opening
from recordings.journal import ImageRow, Journal, SampleRow
from recordings.space import SpaceRule, free_bytes

COMMIT_S = 0.25  # at most this much of a recording is not on the disk yet
NAP_S = 0.02  # between two looks at the queue: a few large batches disturb the other threads least
BATCH_ROWS = 4096
SPACE_CHECK_S = 1.0

Row = SampleRow | ImageRow | Target | Event
END = None  # what each producer puts last


@dataclass(frozen=True, slots=True)
class QueueRule:
    """How much may wait for the disk."""

    live: bool  # pictures are dropped when it is full; else everybody waits
    most_bytes: int  # of pictures
    most_rows: int  # a sample in the queue takes about 250 bytes, with what Python adds


# Two eyes at 250 pictures/s of 8.6 KB are 4.3 MB/s: 60 s of them. Samples alone: 25 minutes, then eyes wait.
LIVE_QUEUE = QueueRule(True, 256 << 20, 750_000)
FILE_QUEUE = QueueRule(False, 64 << 20, 512)


@dataclass(frozen=True, slots=True)
class Committed:
    """What is on the disk for good, as of the last commit. Frames: -1 where there is none yet."""

    samples: Mapping[Eye, int]  # how many
    sample_frame: Mapping[Eye, int]  # number of the last one's frame
    picture_frame: Mapping[int, int]  # the same by the camera's place in the profile
    time_s: float  # of the commit, host clock


class JournalThread:
    """Takes rows from any thread. Ends by itself when every producer has put its END."""

    def __init__(
        self,
        folder: Path,
        opening: Opening,
        calibrations: Mapping[Eye, bytes],
        *,
        producers: int,
        ending: Callable[[], Ending],
        in_trouble: Callable[[str], None],
        rule: SpaceRule,
        queue_rule: QueueRule = FILE_QUEUE,
        on_commit: Callable[[Committed], None] = lambda committed: None,
    ) -> None:
        """`ending` is asked when all producers are done; `in_trouble` is told why recording must stop."""
        self.error: Exception | None = None
        self.dropped = 0  # pictures that found no room
        self.free_bytes = 0  # on the disk, at the last look
        self._folder, self._opening, self._calibrations = folder, opening, calibrations
        self._producers, self._ending, self._in_trouble, self._rule = producers, ending, in_trouble, rule
        self._on_commit, self._live = on_commit, queue_rule.live
        self._queue: BoundedQueue[Row | None] = BoundedQueue(queue_rule.most_bytes, queue_rule.most_rows)
        self._samples: dict[Eye, int] = dict.fromkeys(EYES, 0)
        self._sample_frame: dict[Eye, int] = dict.fromkeys(EYES, -1)
        self._picture_frame: dict[int, int] = {}
        self._ready = threading.Event()
        self._pace = SystemClock()  # of the disk, not of the recording
        self.committed = self._as_of_now()
        self._thread = threading.Thread(target=self._run, name="journal")

    @property
    def waiting(self) -> tuple[int, int]:
        """Rows and bytes that wait for the disk."""
        return len(self._queue), self._queue.bytes

    @property
    def unsaved_s(self) -> float:
        """How long ago the last commit was."""
        return self._pace.now_s() - self.committed.time_s

    def start(self) -> None:
        """Make the journal. Raises StorageError when the disk does not take it."""
        self._thread.start()
        self._ready.wait()
        if self.error is not None:
            self._thread.join()
            raise StorageError(
                f"No journal can be made in {self._folder} ({self.error}). Nothing was recorded."
            )

    def put(self, row: Row | None) -> None:
        """Hand over one row, or END; waits while the queue is full, save for a live camera's picture."""
        if not isinstance(row, ImageRow):
            self._queue.put(row)
        elif not self._live:
            self._queue.put(row, len(row.bytes))
        elif not self._queue.offer(row, len(row.bytes)):
            self.dropped += 1

    def give_up(self) -> None:
        """End although the producers never started."""
        self._producers = 0
        self._thread.join()

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait for the end; whether it came."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        try:
            journal = Journal(self._folder, self._opening, self._calibrations)
        except (sqlite3.Error, OSError) as error:
            self.error = error
            return
        finally:
            self._ready.set()
        try:
            self._fill(journal)
            journal.end(self._ending())
            self._commit(journal)
        except Exception as error:  # whatever it is: rows must still be taken, and somebody be told
            self.error = error
            self._in_trouble(f"the disk stopped taking samples ({error})")
        finally:
            journal.close()
            self._drain()

    def _fill(self, journal: Journal) -> None:
        """Rows into the journal until every producer has ended."""
        due_s = self._pace.now_s() + COMMIT_S
        space_s = 0.0
        while self._producers > 0:
            self._write(journal, self._queue.take(BATCH_ROWS, max(due_s - self._pace.now_s(), 0.0)))
            now_s = self._pace.now_s()
            if now_s >= due_s:
                self._commit(journal)
                due_s = now_s + COMMIT_S
            if now_s >= space_s:
                space_s = now_s + SPACE_CHECK_S
                self._look_at_the_space()
            if self._live and self._producers > 0:
                time.sleep(NAP_S)

    def _look_at_the_space(self) -> None:
        self.free_bytes = free_bytes(self._folder)
        if self.free_bytes < self._rule.stop_bytes:
            self._in_trouble("the disk was nearly full")

    def _commit(self, journal: Journal) -> None:
        journal.commit()
        self.committed = self._as_of_now()
        self._on_commit(self.committed)

    def _as_of_now(self) -> Committed:
        return Committed(
            dict(self._samples), dict(self._sample_frame), dict(self._picture_frame), self._pace.now_s()
        )

    def _write(self, journal: Journal, rows: list[Row | None]) -> None:
        self._producers -= rows.count(END)
        samples = [row for row in rows if isinstance(row, SampleRow)]
        images = [row for row in rows if isinstance(row, ImageRow)]
        journal.add(samples, images)
        for row in rows:
            if isinstance(row, Target):
                journal.add_target(row)
            elif isinstance(row, Event):
                journal.add_event(row)
        for sample in samples:
            eye = EYES[sample.eye]
            self._samples[eye] += 1
            self._sample_frame[eye] = struct.unpack_from("<q", sample.row)[0]
        for image in images:
            self._picture_frame[image.camera] = image.frame

    def _drain(self) -> None:
        """After an error: let the others end, though nobody keeps their rows any more."""
        while self._producers > 0:
            self._producers -= self._queue.take(BATCH_ROWS).count(END)
