"""The program of the window is killed in the middle of a test: what is kept, and what the next start says."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from recordings.sealed import open_recording
from recordings.verify import verify
from tests.conftest import ROOT

PROGRAM = """
import sys
from pathlib import Path
from analysis.battery import procedure_named
from ui.visit_run import INVENTED_EYES, run_visit
from ui.window.shell import Shell

ticked, told = Shell.tick, []

def tick(self, now_s):
    ticked(self, now_s)
    visit = self.visit
    if sys.argv[1] == "look":
        if visit.eyes is not None and visit.repair is None:
            print(visit.strip.get("left over", ""), "|", visit.strip.get("unsealed", ""), flush=True)
            self.close()
    elif visit.eyes is not None and visit.run is None:
        visit.begin(procedure_named("spontaneous"))
    elif visit.status is not None and visit.status.recorded_s > 1.0 and not told:
        told.append(True)
        print("recording", flush=True)

Shell.tick = tick
run_visit(None, *INVENTED_EYES, None, None, Path(sys.argv[2]))
"""


def start(doing: str, data: Path, home: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM, doing, str(data)],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=ROOT,
        env=os.environ | {"QT_QPA_PLATFORM": "offscreen", "XDG_CONFIG_HOME": str(home)},
    )  # fmt: skip


@pytest.mark.long
@pytest.mark.skipif(os.name == "nt", reason="Windows has no kill -9")
def test_a_killed_window_loses_nothing_and_the_next_start_says_what_happened(tmp_path: Path) -> None:
    data = tmp_path / "data"
    with start("record", data, tmp_path) as window:
        assert window.stdout is not None
        assert window.stdout.readline() == "recording\n"
        window.send_signal(signal.SIGKILL)
    for said in (
        "Driftbeat broke off in a test the last time. What was recorded is kept and is being sealed, "
        "marked as incomplete. Repeat that test. | \n",
        " | \n",  # the start after that has nothing to say
    ):
        with start("look", data, tmp_path) as window:
            assert window.stdout is not None
            assert window.stdout.read() == said
        assert window.returncode == 0
    (folder,) = (path.parent for path in data.glob("*/measurement.h5"))
    assert verify(folder).ok
    with open_recording(folder) as recording:
        assert recording.info.ending == "the program that began it ended first"
        assert recording.info.training
        assert recording.samples["right"]["time_s"][-1] > 1.0
