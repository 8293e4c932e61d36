"""The rules of the house that a linter does not see."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

from tests.conftest import ROOT

IMPORT_ALL = """
import importlib, pkgutil, sys
for blocked in ("PyQt5", "PyQt6", "PySide2", "PySide6", "pyqtgraph"):
    sys.modules[blocked] = None
for name in ("capture", "recordings", "analysis"):
    package = importlib.import_module(name)
    for module in pkgutil.walk_packages(package.__path__, name + "."):
        importlib.import_module(module.name)
        print(module.name)
"""


def test_everything_below_the_windows_imports_without_qt() -> None:
    out = subprocess.run(
        [sys.executable, "-c", IMPORT_ALL], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert out.returncode == 0, out.stderr
    assert {"capture.tracker", "recordings.recorder", "analysis.beats"} <= set(out.stdout.split())


def test_help_answers_within_300_ms() -> None:
    """Best of ten, because the machine that runs the tests is busy; design: 300 ms."""
    command = [str(Path(sys.executable).parent / "driftbeat"), "--help"]
    took_s = []
    for _ in range(10):
        start = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        took_s.append(time.perf_counter() - start)
    assert min(took_s) < 0.3


def test_readme_holds_the_job_then_two_commands() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    commands = [line for line in text.splitlines() if line.startswith(("python3 -m venv", ".venv/bin/pip"))]
    assert len(commands) == 2
    assert text.index("Driftbeat turns") < text.index(commands[0])


def test_test_data_stays_small_enough_for_a_lone_clone() -> None:
    size = sum(path.stat().st_size for path in (ROOT / "tests" / "data").rglob("*") if path.is_file())
    assert size <= 30e6
