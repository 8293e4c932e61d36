from __future__ import annotations

import os
import subprocess
import sys

import pytest

from recordings.child import child_environment

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="niceness is POSIX's word")

IN_A_CHILD = """
import os, threading
from recordings.priority import go_ahead, stand_back
niceness = lambda: os.getpriority(os.PRIO_PROCESS, 0)
allowed = go_ahead()
seen = [allowed, niceness()]
thread = threading.Thread(target=lambda: seen.append(niceness()))
thread.start()
thread.join()
stand_back()
print(*seen, niceness())
"""


def test_the_recorder_goes_ahead_where_it_may_and_sealing_stands_back_always() -> None:
    asked = [sys.executable, "-c", IN_A_CHILD]
    said = subprocess.run(
        asked, env=child_environment(), stdout=subprocess.PIPE, text=True, check=True
    ).stdout
    allowed, own, of_thread, back = said.split()
    before = os.getpriority(os.PRIO_PROCESS, 0)
    expected = -10 if allowed == "True" else before
    assert (int(own), int(of_thread), int(back)) == (expected, expected, 10)
