"""What the recorder is asked, one after the other, while the window goes on painting."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, TypeVar

from capture.errors import CaptureError
from recordings.errors import RecordingError

T = TypeVar("T")


class Orders:
    """Calls that may block, in one thread of their own; their answers are handed over by `tick`."""

    def __init__(self, name: str) -> None:
        self._thread = ThreadPoolExecutor(1, thread_name_prefix=name)
        self._waiting: list[tuple[Future[Any], Callable[[Any], object], Callable[[str], object]]] = []

    def ask(
        self,
        call: Callable[[], T],
        then: Callable[[T], object] = lambda answer: None,
        failed: Callable[[str], object] = lambda why: None,
    ) -> None:
        """Call in the background; later, in the window's thread, `then` gets the answer or `failed` why."""
        self._waiting.append((self._thread.submit(call), then, failed))

    def tick(self) -> None:
        """Hand over the answers that are there, in the order of the calls."""
        while self._waiting and self._waiting[0][0].done():
            future, then, failed = self._waiting.pop(0)
            error = future.exception()
            if error is None:
                then(future.result())
            elif isinstance(error, CaptureError | RecordingError):
                failed(str(error))
            else:
                raise error

    def wait(self) -> None:
        """Wait until everything that was asked is answered and handed over, also what the answers ask."""
        while self._waiting:
            self._waiting[0][0].exception()
            self.tick()

    def drop(self) -> None:
        """Forget what was asked and is not begun yet; nothing is told of it."""
        self._waiting = [one for one in self._waiting if not one[0].cancel()]

    def close(self) -> None:
        """Wait for what was asked; nothing more may be asked."""
        self.wait()
        self._thread.shutdown()
