"""Goggles and recorder in this process, by a clock that only the test moves."""

from __future__ import annotations

import queue
import time
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from capture.clock import Clock, SteppedClock
from capture.live import AS_IT_IS, CameraSettings, SettingsReport
from capture.pose import Pose
from capture.profile import CameraProfile, GoggleProfile
from capture.samples import EYES, NAN, Eye, Frame, Pupil, Target, Tracked
from capture.simulation.anatomy import draw_eye
from capture.simulation.camera import Camera
from capture.simulation.painter import EyeState, Painter
from capture.source import SourceInfo
from capture.tracker import Tracker
from recordings.commands import GogglesPlan, Start
from recordings.event import Event
from recordings.handing import EyeTracker
from recordings.live_recorder import LiveRecorder
from recordings.shared_samples import SharedReader
from recordings.status import Status
from tests.recordings.making import NO_SPARE
from tests.ui.window.responding import RespondingEyes

if TYPE_CHECKING:
    from recordings.commands import Facts

SIZE_PX = (320, 240)
PIXEL_NOISE, TORSION_NOISE_DEG = 0.03, 0.05  # of a tracker that is told the truth


class SteppedCamera:
    """Delivers what the test hands to it."""

    def __init__(self, rate_hz: float) -> None:
        self.info = SourceInfo("stepped", *SIZE_PX, rate_hz, "measured", None)
        self.settings = SettingsReport(AS_IT_IS, CameraSettings(*SIZE_PX, rate_hz))
        self.frames: queue.Queue[Frame] = queue.Queue()
        self._closed = False

    def read(self) -> Frame | None:
        while not self._closed:
            try:
                return self.frames.get(timeout=0.05)
            except queue.Empty:
                continue
        return None

    def close(self) -> None:
        self._closed = True

    def silence_s(self) -> float:
        return 0.0


class TruthTracker:
    """Tells what is really in a picture that carries its own number."""

    def __init__(self, known: Mapping[int, Tracked]) -> None:
        self._known = known

    def track(self, image: np.ndarray) -> Tracked:
        return self._known[int(image[0, :8].view(np.int64)[0])]


class SteppedGoggles:
    """A recorder before `eyes`. Its handle is this object; `step` lets time pass.

    `pictures`: eye pictures are painted and tracked; else the tracker is told the truth with usual noise.
    """

    def __init__(self, eyes: RespondingEyes, seed: int, data: Path, rate_hz: float, pictures: bool) -> None:
        self.clock, self.eyes, self.rate_hz, self._pictures = SteppedClock(), eyes, rate_hz, pictures
        camera = Camera().resized(SIZE_PX)
        self._painters: dict[Eye, Painter] = {eye: Painter(draw_eye(seed, eye), camera) for eye in EYES}
        self._noise = np.random.default_rng([seed, 3])
        self._known: dict[int, Tracked] = {}
        self._cameras: dict[str, SteppedCamera] = {eye: SteppedCamera(rate_hz) for eye in EYES}
        self.frame = 0
        cameras = tuple(CameraProfile(eye, (camera.view(eye),), camera.geometry()) for eye in EYES)
        self.plan = GogglesPlan(
            GoggleProfile("stepped", cameras), {eye: eye for eye in EYES}, data, rule=NO_SPARE
        )
        self.live = LiveRecorder(
            self.plan, clock=self.clock, tracker_factory=self._tracker, opener=self._open
        )
        self.reader: SharedReader

    def open(self, plan: GogglesPlan) -> SteppedGoggles:
        self.reader = SharedReader(self.live.open())
        return self

    def step(self, seconds: float) -> None:
        """Let time pass; every frame until then is tracked when this returns."""
        self.clock.step(seconds)
        first = self.frame
        while self.frame / self.rate_hz <= self.clock.now_s():
            self._expose()
        if self.frame == first:
            return
        deadline = time.monotonic() + 30.0
        while any(self.reader.written(eye) < self.frame for eye in EYES):
            assert time.monotonic() < deadline, "frames were not tracked"
            time.sleep(0.0005)

    def start(self, asked: Start) -> Path:
        return self.live.start(asked)

    def pose(self, pose: Pose) -> None:
        """The patient before these goggles is posed by the test itself."""

    def mark(self, what: Target | Event) -> None:
        self.live.mark(what)

    def stop(self, reason: str = "") -> Path:
        return self.live.stop(reason)

    def facts(self) -> Facts:
        return self.live.facts()

    def status(self) -> Status:
        return self.live.status()

    def close(self) -> None:
        self.live.close()
        self.reader.close()

    def _open(self, text: str, clock: Clock, asked: CameraSettings) -> SteppedCamera:
        return self._cameras[text]

    def _tracker(self) -> EyeTracker:
        return Tracker() if self._pictures else TruthTracker(self._known)

    def _expose(self) -> None:
        time_s = self.frame / self.rate_hz
        state = EyeState(*self.eyes.gaze_deg(time_s).tolist())
        for eye, painter in self._painters.items():
            number = 2 * self.frame + EYES.index(eye)
            image = painter.image(state, number) if self._pictures else self._told(painter, state, number)
            self._cameras[eye].frames.put(Frame(self.frame, time_s, NAN, image))
        self.frame += 1

    def _told(self, painter: Painter, state: EyeState, number: int) -> np.ndarray:
        truth = painter.truth(state)
        dx, dy = PIXEL_NOISE * self._noise.standard_normal(2)
        pupil = Pupil(truth.x_px + dx, truth.y_px + dy, *truth[2:5], truth.visible_share, 0.9)
        rotation_deg = truth.rotation_deg + TORSION_NOISE_DEG * self._noise.standard_normal()
        self._known[number] = Tracked(pupil, rotation_deg, 0.9)
        image = np.zeros((SIZE_PX[1], SIZE_PX[0]), np.uint8)
        image[0, :8] = np.array([number]).view(np.uint8)
        return image
