"""Seals finished recordings one after the other, beside whatever is recorded next."""

from __future__ import annotations

import logging
import queue
import threading

from recordings.errors import RecordingError
from recordings.one_recording import OneRecording

log = logging.getLogger(__name__)


class Sealer:
    """One thread, begun with the first recording; it waits for child processes."""

    def __init__(self) -> None:
        self.waiting: tuple[str, ...] = ()  # ids, the first one being sealed
        self.sealed: tuple[str, ...] = ()
        self.problems: tuple[str, ...] = ()  # in words
        self._queue: queue.SimpleQueue[tuple[OneRecording, bool]] = queue.SimpleQueue()
        self._idle = threading.Condition()

    def seal(self, recording: OneRecording, *, behind: bool) -> None:
        """Take a recording that has ended; `behind` others that go on, or as quickly as may be."""
        with self._idle:
            begin = not self.waiting
            self.waiting = (*self.waiting, recording.folder.name)
        self._queue.put((recording, behind))
        if begin:  # a daemon: its child goes on by itself when the program ends
            threading.Thread(target=self._run, name="sealer", daemon=True).start()

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until all is sealed, or cannot be; whether that is so."""
        with self._idle:
            return self._idle.wait_for(lambda: not self.waiting, timeout_s)

    def _run(self) -> None:
        while True:
            recording, behind = self._queue.get()
            problem = _seal(recording, behind)
            with self._idle:
                name, *others = self.waiting
                self.waiting = tuple(others)
                if problem:
                    self.problems = (*self.problems, problem)
                else:
                    self.sealed = (*self.sealed, name)
                self._idle.notify_all()
                if not others:
                    return


def _seal(recording: OneRecording, behind: bool) -> str:
    try:
        recording.finish(behind=behind)
    except RecordingError as error:
        return str(error)
    except Exception as error:  # whatever it is, who waits for the sealer must not wait for ever
        log.exception("sealing failed")
        return f"{recording.folder} could not be sealed ({type(error).__name__}). Its samples are safe."
    return ""
