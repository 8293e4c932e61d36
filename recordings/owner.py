"""Who owns a recording's folder: a lock that the system takes back when its owner dies, however it dies.

The file says for people which process it is and since when. Left behind without its lock it means nothing.
"""

from __future__ import annotations

import os
import sys
import weakref
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from recordings.errors import UnsealedError
from recordings.layout import OWNER

if sys.platform == "win32":
    import msvcrt

    def _lock(descriptor: int) -> None:
        os.lseek(descriptor, 1 << 20, os.SEEK_SET)  # beyond the text, which others may read
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


class Owner:
    """Owns one folder from its making to `release`."""

    def __init__(self, folder: Path) -> None:
        """Take it. Raises UnsealedError when another program has it, OSError where the disk is full."""
        self._path = folder / OWNER
        descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
        self._close = weakref.finalize(self, os.close, descriptor)  # also where nobody releases it
        try:
            _lock(descriptor)
        except OSError as error:
            self._close()
            raise UnsealedError(f"{folder} is being recorded or sealed by another program.") from error
        text = f"process {os.getpid()} since {datetime.now(UTC).isoformat(timespec='seconds')}\n"
        os.ftruncate(descriptor, 0)
        os.write(descriptor, text.encode())

    def release(self) -> None:
        """Let go of it; may be called again."""
        if self._close.alive:
            with suppress(OSError):  # Windows removes no open file; what stays there means nothing
                self._path.unlink(missing_ok=True)
            self._close()


def has_owner(folder: Path) -> bool:
    """Whether a living program records or seals here."""
    try:
        descriptor = os.open(folder / OWNER, os.O_RDWR)
    except OSError:
        return False
    try:
        _lock(descriptor)
    except OSError:
        return True
    finally:
        os.close(descriptor)
    return False
