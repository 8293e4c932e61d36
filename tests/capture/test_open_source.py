from __future__ import annotations

from pathlib import Path

import pytest

from capture.clock import SystemClock
from capture.errors import CameraNotFound, SourceError
from capture.http_camera import HttpCamera
from capture.open_source import is_live, open_source
from capture.paced import PacedSource
from capture.video_file import VideoFile
from tests.capture.videos import jpegs, write_avi
from tests.faults.loopback_camera import LoopbackCamera


def test_each_text_opens_its_kind(tmp_path: Path) -> None:
    clock = SystemClock()
    path = write_avi(tmp_path / "v.avi", jpegs(3))
    with LoopbackCamera(jpegs(3), 100.0) as server:
        for text, kind in ((str(path), VideoFile), (server.url, HttpCamera)):
            source = open_source(text, clock)
            assert isinstance(source, kind)
            source.close()


def test_a_simulated_camera_delivers_in_real_time() -> None:
    source = open_source("simulated:left", SystemClock())
    try:
        assert isinstance(source, PacedSource)
        frames = [source.read() for _ in range(20)]
    finally:
        source.close()
    assert all(frame is not None and frame.image.shape == (240, 320) for frame in frames)
    assert source.info.nominal_rate_hz == 250.0


@pytest.mark.parametrize("text", ["camera:no-such-serial", "simulated:third", "http://127.0.0.1:1/"])
def test_what_is_not_there(text: str) -> None:
    with pytest.raises(CameraNotFound):
        open_source(text, SystemClock())


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="no video file"):
        open_source(str(tmp_path / "none.avi"), SystemClock())


def test_the_light_gate_holds_for_cameras_only() -> None:
    assert [is_live(text) for text in ("camera:A", "http://127.0.0.1/", "simulated:right", "eye.mkv")] == [
        True, True, False, False,
    ]  # fmt: skip
