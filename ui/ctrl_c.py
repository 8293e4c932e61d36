"""Ctrl-C as a request: a recording must end in good order wherever in the program the key was struck.

A terminal that is closed and a shutdown (SIGHUP, SIGTERM) are the same request.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import FrameType

ANSWER = b"\nStopping. What was recorded so far is kept and is being sealed.\n"
NAMES = ("SIGINT", "SIGTERM", "SIGHUP")  # the last is not known on Windows


@contextmanager
def ctrl_c_asks() -> Iterator[threading.Event]:
    """Within the block the first Ctrl-C sets the event and is answered; the second interrupts as usual.

    To be used in the main thread. Where a signal is ignored or caught by somebody else, it stays so.
    """
    asked, usual = threading.Event(), signal.default_int_handler
    numbers = [getattr(signal, name) for name in NAMES if hasattr(signal, name)]
    before = {number: signal.getsignal(number) for number in numbers}
    ours = [number for number in numbers if before[number] in (usual, signal.SIG_DFL)]

    def ask(number: int, frame: FrameType | None) -> None:
        asked.set()
        for ours_too in ours:
            signal.signal(ours_too, usual)
        with suppress(OSError):  # the terminal may be gone
            os.write(2, ANSWER)  # whatever was being printed, this may come in between

    for number in ours:
        signal.signal(number, ask)
    try:
        yield asked
    finally:
        for number in ours:
            signal.signal(number, before[number])
