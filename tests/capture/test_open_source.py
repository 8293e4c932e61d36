from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from capture.clock import SystemClock
from capture.errors import CameraNotFound, SourceError
from capture.http_camera import HttpCamera
from capture.live import CameraSettings
from capture.open_source import is_live, open_source
from capture.paced import PacedSource
from capture.samples import EYES
from capture.tracker import Tracker
from capture.video_file import VideoFile
from tests.capture.source_contract import Hurried
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


@pytest.mark.parametrize("pattern", ["down-beating", "no nystagmus"])
def test_an_invented_eye_shows_the_pattern_that_is_asked_for(pattern: str) -> None:
    """Slow phases of a down-beating eye carry the pupil upward; without nystagmus it stays."""
    source = open_source(f"simulated:right:{pattern}", SystemClock(), CameraSettings(rate_hz=50.0))
    tracker, places = Tracker(), []
    try:
        for _ in range(50):
            frame = source.read()
            assert frame is not None
            places.append(tracker.track(frame.image).pupil.y_px)
    finally:
        source.close()
    moves = np.diff(places)
    up = np.median(moves[np.abs(moves) < 1.0])
    assert up < -0.1 if pattern == "down-beating" else abs(up) < 0.05


def test_a_pattern_that_there_is_not_is_refused_with_those_that_there_are() -> None:
    with pytest.raises(SourceError, match="down-beating"):
        open_source("simulated:right:sideways", SystemClock())


def test_two_simulated_cameras_see_one_person() -> None:
    """Opened and first read at different times, they show the same gaze at the same moment."""
    clock = Hurried(time_s=7.003)
    gaze: dict[str, dict[float, float]] = {}
    for eye in EYES:
        source = open_source(f"simulated:{eye}", clock, CameraSettings(rate_hz=50.0))
        clock.step(0.337)  # the other is opened and read later
        tracker, seen = Tracker(), {}
        for _ in range(150):
            frame = source.read()
            assert frame is not None
            assert clock.now_s() == pytest.approx(frame.time_s, abs=1e-6)
            seen[round(frame.time_s % 2.0, 6)] = tracker.track(frame.image).pupil.x_px
        source.close()
        gaze[eye] = seen
    assert gaze["right"].keys() == gaze["left"].keys()
    right, left = (np.array([gaze[eye][time_s] for time_s in sorted(gaze["right"])]) for eye in EYES)
    assert np.ptp(right) > 5  # it beats
    assert np.corrcoef(right, left)[0, 1] > 0.99
    assert np.corrcoef(right, np.roll(left, 5))[0, 1] < 0.9  # 0.1 s apart would be seen
