"""Ctrl-C as a terminal sends it, to every process of the group, once and again."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from recordings.sealed import open_recording
from recordings.sealing_process import left_overs, seal_left_overs
from recordings.verify import verify
from tests.conftest import ROOT

pytestmark = pytest.mark.skipif(os.name == "nt", reason="Windows sends no signal to a group of processes")

RECORD = """
import sys
from pathlib import Path
from tests.recordings.making import ListSource, frames, recorder

seeds = {"camera-right": 1, "camera-left": 2}
sources = {name: ListSource(frames(4000, seed), wait_s=0.002) for name, seed in seeds.items()}
made = recorder(Path(sys.argv[1]), sources)
said = []

def progress(done, total):
    if done > 60 and not said:
        said.append(print("going", flush=True))

print(made.run(progress, lambda step: print(step, flush=True)), flush=True)
"""


def start(data: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", RECORD, str(data)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT, start_new_session=True,
    )  # fmt: skip


def test_once_everything_is_kept_and_sealed(tmp_path: Path) -> None:
    with start(tmp_path) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "going\n"
        os.killpg(process.pid, signal.SIGINT)
        told = process.stdout.read().split("\n")
    assert process.returncode == 0
    folder = Path(told[-2])
    assert verify(folder).ok
    with open_recording(folder) as recording:
        assert not recording.complete
        assert recording.info.ending == "stopped by the operator"
        for eye, rows in recording.samples.items():
            assert 20 < len(rows) < 4000
            assert rows["frame"].tolist() == list(range(len(rows)))
            recording.image(eye, len(rows) - 1)


def test_again_while_sealing_nothing_is_lost(tmp_path: Path) -> None:
    with start(tmp_path) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "going\n"
        os.killpg(process.pid, signal.SIGINT)
        assert process.stdout.readline() == "images written\n"
        os.killpg(process.pid, signal.SIGINT)
        process.communicate()
    assert process.returncode != 0
    (folder,) = tmp_path.iterdir()
    for _ in range(200):  # the sealing child went on by itself
        if not left_overs(tmp_path):
            break
        time.sleep(0.1)
    assert seal_left_overs(tmp_path) == ()
    assert verify(folder).ok
    assert len(open_recording(folder).samples["right"]) > 20
