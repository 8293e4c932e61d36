"""Live recorders for tests: a quick tracker, and cameras that do as they are told."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from capture.clock import Clock, SystemClock
from capture.live import AS_IT_IS, CameraSettings, SettingsReport
from capture.profile import CameraProfile, EyeView, GoggleProfile
from capture.samples import Eye, Frame
from capture.source import SourceInfo
from recordings.commands import GogglesPlan, Start
from recordings.info import Circumstances
from recordings.live_recorder import LiveRecorder
from recordings.sealed import Recording, open_recording
from tests.faults.loopback_camera import Sent
from tests.recordings.making import NO_SPARE, SumTracker, expected_of, frames

BENCH = Start(Circumstances(site="Harbour Lane Balance Clinic"))


def goggles(*eyes: Eye, **known: Any) -> GoggleProfile:
    """One camera an eye."""
    cameras = tuple(CameraProfile(f"camera-{eye}", (EyeView(eye),)) for eye in eyes)
    return GoggleProfile("test goggles", cameras, **known)


def plan(data: Path, sources: dict[Eye, str], **known: Any) -> GogglesPlan:
    """Goggles with these sources, on a disk without a reserve."""
    texts = {f"camera-{eye}": text for eye, text in sources.items()}
    return GogglesPlan(goggles(*sources, **known), texts, data, rule=NO_SPARE)


class ToldCamera:
    """Sends prepared frames at a rate, and does what `behave` says at each: frames, or none for a while."""

    def __init__(self, clock: Clock, shown: Sequence[Frame], rate_hz: float = 100.0) -> None:
        height, width = shown[0].image.shape
        self.info = SourceInfo("told", width, height, rate_hz, "measured", None)
        self.settings = SettingsReport(AS_IT_IS, CameraSettings(width, height, rate_hz))
        self._clock, self._shown, self._rate_hz = clock, shown, rate_hz
        self._start_s = clock.now_s()
        self._number = 0
        self._closed = False
        self.frozen = False
        self.silent = False
        self.sent: list[Frame] = []

    def read(self) -> Frame | None:
        while not self._closed:
            self._number += 1
            due_s = self._start_s + self._number / self._rate_hz
            time.sleep(max(due_s - self._clock.now_s(), 0.0))
            if not self.silent:
                shown = self._shown[self._number % len(self._shown)]
                frame = shown._replace(number=self._number, time_s=due_s, repeated=self.frozen)
                self.sent.append(frame)
                return frame
        return None

    def close(self) -> None:
        self._closed = True

    def silence_s(self) -> float:
        return 0.0


def told_opener(cameras: dict[str, ToldCamera]) -> Callable[[str, Clock, CameraSettings], ToldCamera]:
    """Opens `told:<seed>` and remembers the camera by that text."""

    def open_told(text: str, clock: Clock, asked: CameraSettings) -> ToldCamera:
        cameras[text] = ToldCamera(clock, frames(50, int(text.removeprefix("told:"))))
        return cameras[text]

    return open_told


def told_recorder(data: Path, cameras: dict[str, ToldCamera], *eyes: Eye, **options: Any) -> LiveRecorder:
    """In this process, before told cameras; they are in `cameras` once it is open."""
    sources: dict[Eye, str] = {eye: f"told:{seed}" for seed, eye in enumerate(eyes)}
    return LiveRecorder(
        plan(data, sources),
        clock=SystemClock(),
        tracker_factory=SumTracker,
        opener=told_opener(cameras),
        **options,
    )


def wait_for(happened: Callable[[], Any], timeout_s: float = 10.0) -> float:
    """Seconds until something is so. Fails when it does not happen in time."""
    began_s = time.perf_counter()
    while not happened():
        assert time.perf_counter() - began_s < timeout_s, "it did not happen in time"
        time.sleep(0.005)
    return time.perf_counter() - began_s


def kept_hashes(recording: Recording, eye: Eye) -> list[str]:
    """SHA-256 of each kept picture's own bytes, one a sample; that of nothing where it was not kept."""
    recording.image(eye, 0)
    pictures = recording._pictures
    assert pictures is not None
    count = len(recording.samples[eye])
    return [hashlib.sha256(pictures.encoded(eye, i)).hexdigest() for i in range(count)]


def compare_with_sender(recording: Recording, eye: Eye, sent: Sequence[Sent]) -> tuple[int, int]:
    """Pictures of the file that are not what was sent in their place; pictures sent between that it lacks."""
    kept = kept_hashes(recording, eye)
    place = {one.sha256: i for i, one in enumerate(sent)}
    where = [place.get(sha256, -1) for sha256 in kept]
    wrong = sum(at < 0 for at in where) + sum(later <= at for at, later in pairwise(where))
    known = [at for at in where if at >= 0]
    return wrong, known[-1] - known[0] + 1 - len(set(known))


@contextmanager
def running(data: Path, *eyes: Eye) -> Iterator[tuple[LiveRecorder, list[ToldCamera]]]:
    """An open recorder before told cameras, in the order of the eyes."""
    cameras: dict[str, ToldCamera] = {}
    with told_recorder(data, cameras, *eyes) as recorder:
        recorder.open()
        yield recorder, list(cameras.values())


def sealed(recorder: LiveRecorder, folder: Path) -> Recording:
    """The recording, once it is sealed."""
    assert recorder.wait_sealed(30)
    assert recorder.status().unsealed == ()
    return open_recording(folder)


def assert_is_what_was_sent(recording: Recording, eye: Eye, camera: ToldCamera) -> None:
    """Every frame between the first and the last of the recording, in order, with its own sample."""
    rows = recording.samples[eye]
    sent = {frame.number: frame for frame in camera.sent}
    numbers = rows["frame"].tolist()
    assert numbers == [number for number in sent if numbers[0] <= number <= numbers[-1]]
    for i, row in enumerate(rows):
        frame = sent[row["frame"]]
        assert row["x_px"] == expected_of(frame.image).pupil.x_px
        assert row["repeated"] == frame.repeated
        assert np.array_equal(recording.image(eye, i), frame.image)
