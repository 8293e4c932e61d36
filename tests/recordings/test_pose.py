"""A pose goes from the window to the simulated patient, whose two eyes are one person's."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from capture.clock import Clock, SteppedClock, SystemClock
from capture.live import CameraSettings
from capture.paced import PacedSource
from capture.pose import Posable, Pose
from capture.prepared import PreparedPictures
from capture.samples import EYES, NAN, NO_PUPIL, Frame, Tracked
from capture.source import Source
from recordings.live_recorder import LiveRecorder
from recordings.recorder_process import RecorderProcess
from recordings.shared_samples import SharedReader
from tests.faults.live import plan, told_opener, wait_for

RATE_HZ = 50.0
DOWN = Pose(position="right ear down", light="dark", looks_at_deg=(10.0, -5.0), covered="left")


class Obedient:
    """Shows in its pictures how many poses it was told by then; all of its kind hear the same."""

    def __init__(self, clock: Clock) -> None:
        self._pictures = PreparedPictures(
            [Frame(0, 0.0, NAN, np.zeros((48, 64), np.uint8))], RATE_HZ, 100_000
        )
        self._from_s = math.ceil(clock.now_s() * RATE_HZ) / RATE_HZ
        self.info = self._pictures.info
        self.told: list[tuple[float, Pose]] = []

    def read(self) -> Frame | None:
        frame = self._pictures.read()
        if frame is None:
            return None
        time_s = self._from_s + frame.time_s
        count = sum(since_s <= time_s for since_s, _ in self.told)
        covered = any(pose.covered == "left" for _, pose in self.told)
        image = np.full((48, 64), 10 * count + covered, np.uint8)
        return frame._replace(time_s=time_s, image=image)

    def close(self) -> None:
        self._pictures.close()

    def pose(self, pose: Pose, now_s: float) -> None:
        self.told.append((now_s, pose))


class ReadsGrey:
    def track(self, image: np.ndarray) -> Tracked:
        return Tracked(NO_PUPIL._replace(x_px=float(image[0, 0])), NAN, 0.0)


def open_obedient(text: str, clock: Clock, asked: CameraSettings) -> Source:
    return PacedSource(Obedient(clock), clock, same_clock=True)


def last(reader: SharedReader) -> list[float]:
    return [float(reader.samples(eye)[0]["x_px"][-1]) for eye in EYES]


def test_both_eyes_answer_from_the_same_moment_on(tmp_path: Path) -> None:
    clock = SteppedClock(time_s=7.003)
    recorder = LiveRecorder(
        plan(tmp_path, dict.fromkeys(EYES, "obedient")),
        clock=clock,
        tracker_factory=ReadsGrey,
        opener=open_obedient,
    )
    with recorder:
        recorder.open()
        clock.followers.append(recorder)
        clock.advance(1.0)
        recorder.pose(DOWN)
        told_s = clock.now_s()
        clock.advance(1.0)
        recorder.pose(Pose())
        clock.advance(1.0)
        right, left = (recorder.reader.samples(eye)[0] for eye in EYES)
    assert right["time_s"].tolist() == left["time_s"].tolist()
    assert right["x_px"].tolist() == left["x_px"].tolist()
    first = right["time_s"][np.argmax(right["x_px"] > 0)]
    assert told_s <= first <= told_s + 2 / RATE_HZ  # one picture was painted already
    assert sorted({*right["x_px"]}) == [0.0, 11.0, 21.0]


def test_a_pose_reaches_the_recorder_in_its_own_process(tmp_path: Path) -> None:
    with RecorderProcess(
        plan(tmp_path, dict.fromkeys(EYES, "obedient")), tracker_factory=ReadsGrey, opener=open_obedient
    ) as recorder:
        wait_for(lambda: min(recorder.reader.written(eye) for eye in EYES) > 5)
        assert last(recorder.reader) == [0.0, 0.0]
        recorder.pose(DOWN)
        wait_for(lambda: last(recorder.reader) == [11.0, 11.0])


def test_a_real_camera_takes_no_notice(tmp_path: Path) -> None:
    recorder = LiveRecorder(
        plan(tmp_path, {"right": "told:0"}), clock=SystemClock(), tracker_factory=ReadsGrey,
        opener=told_opener({}),
    )  # fmt: skip
    with recorder:
        recorder.open()
        recorder.pose(DOWN)
        assert not isinstance(recorder.sources()[0], Posable)
        assert recorder.status().state == "ready"


def test_before_the_first_picture_a_pose_holds_from_the_beginning() -> None:
    obedient = Obedient(SteppedClock())
    source = PacedSource(obedient, SteppedClock(time_s=100.0))
    source.pose(DOWN, 100.0)
    source.read()
    source.pose(DOWN, 100.5)
    assert [since_s for since_s, _ in obedient.told] == [-math.inf, 0.5]
