"""`driftbeat live` when something is in its way, in words; and when it is interrupted twice."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import IO, Any

import pytest

from recordings.sealed import open_recording
from recordings.sealing_process import left_overs
from recordings.verify import verify
from tests.conftest import ROOT
from tests.faults.live import wait_for
from tests.faults.loopback_camera import LoopbackCamera
from tests.ui.test_live_command import run, write_profile

CAMERA = ["live", "--bench", "--seconds", "1", "--right"]


@contextmanager
def busy_camera() -> Iterator[str]:
    class Busy(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_error(503)

        def log_message(self, format: str, *args: Any) -> None:
            """Say nothing."""

    with HTTPServer(("127.0.0.1", 0), Busy) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}/"
        server.shutdown()
        thread.join()


def test_a_busy_camera_is_told(data: Path) -> None:
    with busy_camera() as url:
        told = run(*CAMERA, url)
    assert told.exit_code == 1
    assert "is busy" in told.stderr
    assert "Close the other program or browser" in told.stderr
    assert left_overs(data) == ()


def test_pictures_that_take_too_long_are_told_while_recording(packets: list[bytes], data: Path) -> None:
    with LoopbackCamera(packets, 60) as camera:
        told = run(*CAMERA, camera.url, "--rate", "100")
        as_asked = run(*CAMERA, camera.url, "--rate", "60")
    assert told.exit_code == as_asked.exit_code == 0
    assert "live-right: Pictures take longer than they should" in told.stderr
    assert "take longer" not in as_asked.stderr


@pytest.mark.parametrize("with_profile", [False, True])
def test_a_folder_that_cannot_be_written_to_is_told(
    packets: list[bytes], tmp_path: Path, with_profile: bool
) -> None:
    (tmp_path / "file").write_text("mine")
    with LoopbackCamera(packets, 60) as camera:
        words: list[str | Path] = [*CAMERA, camera.url]
        if with_profile:
            words = [*CAMERA[:-1], "--profile", write_profile(tmp_path / "goggles.toml", camera.url)]
        told = run(*words, "--data", tmp_path / "file" / "inside")
    assert told.exit_code == 1
    assert "Choose a data folder that you may write to" in told.stderr
    assert (tmp_path / "file").read_text() == "mine"


def test_a_full_disk_is_told_before_anything_is_recorded(
    packets: list[bytes],
    data: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    usage = shutil.disk_usage(ROOT)
    monkeypatch.setattr("shutil.disk_usage", lambda folder: usage._replace(free=700 << 20))
    with LoopbackCamera(packets, 60) as camera:
        told = run(*CAMERA, camera.url)
    assert told.exit_code == 1
    assert "700 MiB free" in told.stderr
    assert "Nothing was recorded" in told.stderr
    assert "room for 0.0 hours" in told.stdout
    assert left_overs(data) == ()


def children(pid: int) -> list[str]:
    """Command lines of the processes that any thread of this one has started."""
    found = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        with suppress(OSError):  # one that has ended meanwhile
            for child in (task / "children").read_text().split():
                found.append(Path(f"/proc/{child}/cmdline").read_bytes().replace(b"\0", b" ").decode())
    return found


def read_until(stream: IO[str], word: str) -> None:
    for line in stream:
        if word in line:
            return
    raise AssertionError(f"{word!r} was never said")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks into /proc")
def test_ctrl_c_again_while_sealing_loses_nothing(packets: list[bytes], data: Path) -> None:
    with LoopbackCamera(packets, 60) as camera:
        command = [sys.executable, "-m", "ui.command_line", "live", "--right", camera.url, "--bench"]
        with subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True,
            cwd=ROOT, start_new_session=True,
        ) as process:  # fmt: skip
            assert process.stderr is not None
            read_until(process.stderr, "Recording")
            time.sleep(0.7)
            os.killpg(process.pid, signal.SIGINT)
            wait_for(lambda: any("recordings.sealing" in command for command in children(process.pid)))
            os.killpg(process.pid, signal.SIGINT)
            _, err = process.communicate(timeout=60)
    assert process.returncode == 130, err
    (folder,) = {path.parent for name in ("journal.sqlite", "seal.json") for path in data.glob(f"*/{name}")}
    assert f"every sample is safe in {folder}" in err
    wait_for(lambda: not left_overs(data), 30)  # the child that seals went on by itself
    assert verify(folder).ok
    with open_recording(folder) as recording:
        assert recording.complete  # no time was asked for: the first Ctrl-C is its end
        assert len(recording.samples["right"]) > 20
