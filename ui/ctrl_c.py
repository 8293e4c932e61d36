"""Ctrl-C as a request: a recording must end in good order wherever in the program the key was struck."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

ANSWER = b"\nStopping. What was recorded so far is kept and is being sealed.\n"


@contextmanager
def ctrl_c_asks() -> Iterator[threading.Event]:
    """Within the block the first Ctrl-C sets the event and is answered; the second interrupts as usual.

    To be used in the main thread. Where Ctrl-C is ignored or caught by somebody else, it stays so.
    """
    asked, usual = threading.Event(), signal.default_int_handler

    def ask(number: int, frame: FrameType | None) -> None:
        asked.set()
        signal.signal(signal.SIGINT, usual)
        os.write(2, ANSWER)  # whatever was being printed, this may come in between

    if signal.getsignal(signal.SIGINT) is not usual:
        yield asked
        return
    signal.signal(signal.SIGINT, ask)
    try:
        yield asked
    finally:
        signal.signal(signal.SIGINT, usual)
