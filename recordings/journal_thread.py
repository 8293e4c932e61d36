"""The thread that alone owns the open journal: it takes rows from a bounded queue and commits each 0.25 s."""

from __future__ import annotations

import queue
import sqlite3
import threading
from collections.abc import Callable, Mapping
from pathlib import Path

from capture.clock import SystemClock
from capture.samples import Eye, Target
from recordings.errors import StorageError
from recordings.event import Event
from recordings.info import Ending, Opening
from recordings.journal import ImageRow, Journal, SampleRow
from recordings.space import SpaceRule, is_nearly_full

COMMIT_S = 0.25  # at most this much of a recording is not on the disk yet
WAITING_ROWS = 512  # the queue's length; then the others wait
BATCH_ROWS = 256
SPACE_CHECK_S = 1.0

Row = SampleRow | ImageRow | Target | Event
END = None  # what each producer puts last


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
    ) -> None:
        """`ending` is asked when all producers are done; `in_trouble` is told why recording must stop."""
        self.error: Exception | None = None
        self._folder, self._opening, self._calibrations = folder, opening, calibrations
        self._producers, self._ending, self._in_trouble, self._rule = producers, ending, in_trouble, rule
        self._queue: queue.Queue[Row | None] = queue.Queue(WAITING_ROWS)
        self._ready = threading.Event()
        self._pace = SystemClock()  # of the disk, not of the recording
        self._thread = threading.Thread(target=self._run, name="journal")

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
        """Hand over one row, or END; waits while the queue is full."""
        self._queue.put(row)

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
            journal.commit()
        except (sqlite3.Error, OSError) as error:
            self.error = error
            self._in_trouble(f"the disk stopped taking samples ({error})")
        finally:
            journal.close()
            self._drain()

    def _fill(self, journal: Journal) -> None:
        """Rows into the journal until every producer has ended."""
        due_s = self._pace.now_s() + COMMIT_S
        space_s = due_s
        while self._producers > 0:
            self._write(journal, self._take(max(due_s - self._pace.now_s(), 0.0)))
            now_s = self._pace.now_s()
            if now_s >= due_s:
                journal.commit()
                due_s = now_s + COMMIT_S
            if now_s >= space_s:
                space_s = now_s + SPACE_CHECK_S
                if is_nearly_full(self._folder, self._rule):
                    self._in_trouble("the disk was nearly full")

    def _take(self, timeout_s: float) -> list[Row | None]:
        """What waits, up to a batch; nothing when nothing came in time."""
        rows: list[Row | None] = []
        try:
            rows.append(self._queue.get(timeout=timeout_s))
            while len(rows) < BATCH_ROWS:
                rows.append(self._queue.get_nowait())
        except queue.Empty:
            pass
        return rows

    def _write(self, journal: Journal, rows: list[Row | None]) -> None:
        self._producers -= rows.count(END)
        journal.add(
            [row for row in rows if isinstance(row, SampleRow)],
            [row for row in rows if isinstance(row, ImageRow)],
        )
        for row in rows:
            if isinstance(row, Target):
                journal.add_target(row)
            elif isinstance(row, Event):
                journal.add_event(row)

    def _drain(self) -> None:
        """After an error: let the others end, though nobody keeps their rows any more."""
        while self._producers > 0:
            self._producers -= self._queue.get() is END
