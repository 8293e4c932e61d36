"""A live recorder by a clock that runs as fast as the machine allows: nothing lost, always the same."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from capture.clock import Clock, SteppedClock
from capture.live import CameraSettings
from capture.paced import PacedSource
from capture.prepared import PreparedPictures, read_all
from capture.samples import EYES, Frame
from capture.simulation.patient import SimulatedPatient
from capture.simulation.scenario import Hold, Nystagmus, Scenario
from recordings.event import Event
from recordings.live_handle import RecorderHandle
from recordings.live_recorder import LiveRecorder
from recordings.recorder_process import RecorderProcess
from recordings.sealed import open_recording
from tests.faults.live import BENCH, plan

RATE_HZ, TICK_S = 30.0, 0.1
BEFORE_S = 1.01  # each recording; so no picture is due at a tick
HANDLES: tuple[type[RecorderHandle], ...] = (LiveRecorder, RecorderProcess)  # checked by the type checker
pytestmark = pytest.mark.usefixtures("seal_here")


@cache
def shown() -> list[Frame]:
    """Two seconds of an eye that beats."""
    scenario = Scenario((Hold(2.0, nystagmus=Nystagmus((-10.0, 0.0, 0.0))),), blink_every_s=None)
    return read_all(SimulatedPatient(scenario, 1, ("right",), RATE_HZ).source("right"))


def open_prepared(text: str, clock: Clock, asked: CameraSettings) -> PacedSource:
    return PacedSource(PreparedPictures(shown(), RATE_HZ, 100_000), clock)


def visit(data: Path, seconds: float) -> tuple[list[Path], list[list[int]], SteppedClock]:
    """Three recordings, each of `seconds`; after each tick, how many samples a window could read."""
    clock, readable, folders = SteppedClock(), [], []
    recorder = LiveRecorder(plan(data, dict.fromkeys(EYES, "shown")), clock=clock, opener=open_prepared)
    with recorder:
        recorder.open()
        clock.followers.append(recorder)
        for _ in range(3):
            clock.advance(BEFORE_S)
            folders.append(recorder.start(BENCH))
            for _ in range(round(seconds / TICK_S)):
                clock.advance(TICK_S)
                readable.append([recorder.reader.written(eye) for eye in EYES])
            recorder.mark(Event(clock.now_s(), clock.now_s(), "note", "the end"))
            recorder.stop()
            assert all(camera.signal == "good" for camera in recorder.status().cameras)
        assert recorder.wait_sealed(60)
    return folders, readable, clock


def test_minutes_pass_in_seconds_and_nothing_is_lost(tmp_path: Path) -> None:
    shown()
    began_s = time.perf_counter()
    folders, readable, clock = visit(tmp_path, 40.0)
    assert clock.now_s() == pytest.approx(3 * (40.0 + BEFORE_S))
    assert time.perf_counter() - began_s < 60.0  # half of the visit's time, on a machine that is shared
    for i, counts in enumerate(readable):
        now_s = (i + 1) * TICK_S + BEFORE_S * (1 + i // 400)
        assert counts == [int(now_s * RATE_HZ) + 1] * 2, now_s  # the first picture is due at 0
    for folder in folders:
        with open_recording(folder) as recording:
            assert recording.complete
            for eye in EYES:
                rows = recording.samples[eye]
                assert len(rows) == pytest.approx(40 * RATE_HZ, abs=1)
                assert (np.diff(rows["frame"]) == 1).all()
                assert np.diff(rows["time_s"]) == pytest.approx(np.full(len(rows) - 1, 1 / RATE_HZ))
                assert np.isfinite(rows["x_px"]).all()
            assert [event.start_s for event in recording.events] == pytest.approx([40.0], abs=0.05)


def test_it_always_comes_out_the_same(tmp_path: Path) -> None:
    one, other = visit(tmp_path / "one", 5.0), visit(tmp_path / "other", 5.0)
    assert one[1] == other[1]
    for first, second in zip(one[0], other[0], strict=True):
        with open_recording(first) as a, open_recording(second) as b:
            assert a.events == b.events
            for eye in EYES:
                assert a.samples[eye].tobytes() == b.samples[eye].tobytes()


@dataclass
class Follower:
    due: list[float]
    clock: SteppedClock
    did: list[float] = field(default_factory=list)

    def due_s(self) -> float:
        return self.due[0] if self.due else np.inf

    def caught_up(self) -> bool:
        while self.due and self.due[0] <= self.clock.now_s():
            self.did.append(self.clock.now_s())
            self.due.pop(0)
        return True


def test_each_thing_is_done_at_its_own_time() -> None:
    clock = SteppedClock(time_s=1.0)
    clock.followers = [Follower([0.5, 1.25, 3.0], clock), Follower([1.5, 2.0, 2.5], clock)]
    clock.advance(1.0)
    assert [one.did for one in clock.followers if isinstance(one, Follower)] == [[1.0, 1.25], [1.5, 2.0]]
    assert clock.now_s() == 2.0


def test_one_that_hangs_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    class Hung(Follower):
        def caught_up(self) -> bool:
            return False

    monkeypatch.setattr("capture.clock.SETTLE_LIMIT_S", 0.05)
    clock = SteppedClock()
    clock.followers = [Hung([], clock)]
    with pytest.raises(TimeoutError, match="has not caught up"):
        clock.advance(1.0)
