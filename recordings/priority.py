"""Who gets the processor first when a machine is busy: the recorder before others, its sealing after them.

A picture waits for nobody: a recorder that is kept from the processor for half a second loses some. Linux and
macOS let only an administrator, or a user with that right, go before others (`setpriority`, POSIX); Windows
lets everybody (`SetPriorityClass`, "high").
"""

from __future__ import annotations

import os
import sys

AHEAD, BEHIND = -10, 10  # niceness: 0 is everybody's
HIGH_PRIORITY_CLASS = 0x80  # winbase.h


def go_ahead() -> bool:
    """Prefer this process and the threads that it will start; whether the system allows it."""
    if sys.platform == "win32":
        import ctypes

        kernel = ctypes.windll.kernel32
        return bool(kernel.SetPriorityClass(kernel.GetCurrentProcess(), HIGH_PRIORITY_CLASS))
    try:
        os.setpriority(os.PRIO_PROCESS, 0, AHEAD)
    except OSError:
        return False
    return True


def stand_back() -> None:
    """Let every other process go before this one. On Windows its starter says so (see `sealing_process`)."""
    if sys.platform != "win32":
        os.setpriority(os.PRIO_PROCESS, 0, BEHIND)
