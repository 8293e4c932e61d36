"""No child process of ours runs what lies in the working directory."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from recordings import gate
from recordings.child import child_command, child_environment
from tests.conftest import ROOT
from tests.recordings.making import sealed

PLANTED = ("h5py", "numpy", "multiprocessing", "recordings", "capture", "pickle", "sqlite3")
SHARED_MEMORY = """
from multiprocessing import resource_tracker
from recordings.shared_samples import SharedWriter
memory = SharedWriter({"right": (64, 48)}, {"right": 0})
memory.close()
resource_tracker._resource_tracker._stop()  # waits for its process
print("done")
"""
RECORDER = """
from pathlib import Path
from recordings.commands import GogglesPlan
from recordings.recorder_process import RecorderProcess
from tests.recordings.making import SumTracker, profile

if __name__ == "__main__":
    plan = GogglesPlan(profile("right"), {"camera-right": "simulated:right"}, Path("data").resolve())
    RecorderProcess(plan, tracker_factory=SumTracker).close()
    print("done")
"""


@pytest.fixture
def planted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working directory with modules named as ours and as those that we use; each tells that it ran."""
    for name in PLANTED:
        (tmp_path / f"{name}.py").write_text(
            f"open({str(tmp_path / 'ran')!r}, 'a').write({name!r})\nraise SystemExit({name!r})\n"
        )
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_sealing_and_reading_from_elsewhere_run_nothing_from_the_working_directory(
    planted: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = sealed(tmp_path_factory.mktemp("data"), 10, images="none")  # sealed by a child process
    gate.rewrite_clean(folder / "measurement.h5", folder / "clean.h5")  # read by another
    assert not (planted / "ran").exists()


@pytest.mark.parametrize("script", [RECORDER, SHARED_MEMORY], ids=["recorder", "memory"])
def test_the_recorder_and_its_memory_run_nothing_from_the_working_directory(
    planted: Path, script: str
) -> None:
    """The parent was started by its path, as the installed command is."""
    (planted / "script").mkdir()
    (planted / "script" / "start.py").write_text(script)
    done = subprocess.run(
        [sys.executable, str(planted / "script" / "start.py")],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert not (planted / "ran").exists(), (planted / "ran").read_text()
    assert done.stdout == "done\n", done.stderr


def test_a_child_finds_our_packages_wherever_it_starts(planted: Path) -> None:
    code = "import recordings.child, sys; print(recordings.child.PACKAGES, sys.flags.safe_path)"
    command = child_command("recordings.child")
    assert command[1] == "-P"
    done = subprocess.run(
        [command[0], command[1], "-c", code],
        env=child_environment(),
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == [str(ROOT), "True"]
