"""How one thread reads a device while any other may close it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from threading import Event, Lock


class Closing:
    """The device is let go by whoever is last: the closing thread, or the reader when its read returns.

    So `close` never waits for a blocked read, and no device is freed under a read.
    """

    def __init__(self, free: Callable[[], None], wake: Callable[[], None] = lambda: None) -> None:
        """`free` lets go of the device; `wake` ends a read that blocks, where there is a way to do so."""
        self._free, self._wake = free, wake
        self._reading = Lock()
        self._closed = Event()

    @property
    def closed(self) -> bool:
        """Whether somebody has asked to close."""
        return self._closed.is_set()

    @contextmanager
    def reading(self) -> Iterator[None]:
        """Hold the device for one read."""
        try:
            with self._reading:
                yield
        finally:
            if self.closed:
                self._let_go()

    def wait(self, seconds: float) -> None:
        """Sleep, but not past a close."""
        self._closed.wait(seconds)

    def close(self) -> None:
        """Ask the reader to stop, and free the device unless it is being read right now."""
        self._closed.set()
        self._wake()
        self._let_go()

    def _let_go(self) -> None:
        if self._reading.acquire(blocking=False):
            try:
                self._free()
            finally:
                self._reading.release()
