"""Starts the loopback camera as a process of its own, as cameras are, and ends it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.conftest import ROOT
from tests.faults.loopback_camera import HOST


@contextmanager
def camera_process(
    pictures: Sequence[bytes],
    folder: Path,
    name: str = "camera",
    *,
    rate_hz: float = 250.0,
    options: str = "",
) -> Iterator[tuple[str, Path]]:
    """The camera's address, and the log that is whole once this context has ended."""
    prepared, log = folder / f"{name}.jpegs", folder / f"{name}.csv"
    prepared.write_bytes(b"".join(pictures))
    command = [sys.executable, "-m", "tests.faults.loopback_camera", str(prepared), "--log", str(log)]
    command += ["--rate", str(rate_hz), *options.split()]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            yield f"http://{HOST}:{int(process.stdout.readline())}/", log
        finally:
            process.terminate()
            process.wait(timeout=10)
    assert process.returncode == 0
