"""Driftbeat's recorder before its invented patient, in this process, by a clock that only the test moves."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from capture.clock import Clock, SteppedClock
from capture.live import CameraSettings
from capture.paced import PacedSource
from capture.pose import Pose
from capture.profile import CameraProfile, GoggleProfile
from capture.samples import EYES, NAN, NO_PUPIL, Eye, Frame, Pupil, Tracked
from capture.simulation.camera import Camera
from capture.simulation.painter import EyeState, Painter
from capture.simulation.patterns import Pattern
from capture.simulation.responding import RespondingPatient, RespondingSource
from capture.source import SourceInfo
from capture.tracker import Tracker
from recordings.commands import GogglesPlan
from recordings.handing import EyeTracker
from recordings.live_recorder import LiveRecorder
from tests.recordings.making import NO_SPARE

PIXEL_NOISE, TORSION_NOISE_DEG = 0.03, 0.05  # of a tracker that is told the truth
HIDDEN = 0.2  # a pupil of which less is seen is not found
CAMERA = Camera()
Where = Callable[[float, float], tuple[float, float]]


class Patient(RespondingPatient):
    """Looks where `where` says when asked to look somewhere: horizontal, vertical, deg."""

    where: Where = staticmethod(lambda h, v: (h, v))

    def pose(self, pose: Pose, now_s: float) -> None:
        """Take a pose in their own way."""
        super().pose(replace(pose, looks_at_deg=self.where(*pose.looks_at_deg)), now_s)


class ToldTracker:
    """Tells what would really be in a picture that carries its own number."""

    def __init__(self, known: Mapping[int, Tracked]) -> None:
        self._known = known

    def track(self, image: np.ndarray) -> Tracked:
        return self._known[int(image[0, :8].view(np.int64)[0])]


class ToldSource:
    """Pictures that are not painted: what they would show is handed to the tracker, with usual noise."""

    def __init__(
        self, patient: RespondingPatient, eye: Eye, rate_hz: float, known: dict[int, Tracked]
    ) -> None:
        self._patient, self._known, self._rate_hz, self._number = patient, known, rate_hz, -1
        self._eye: Eye = eye
        self._painter = Painter(patient.anatomy[eye], CAMERA)
        self._rng = np.random.default_rng([patient.seed, EYES.index(eye), 3])
        self.info = SourceInfo(f"told-{eye}", *CAMERA.size_px, rate_hz, "measured", None)

    def read(self) -> Frame | None:
        self._number += 1
        time_s = self._number / self._rate_hz
        key = 2 * self._number + EYES.index(self._eye)
        state = self._patient.state(self._eye, time_s)
        self._known[key] = self._seen(state) if state is not None else Tracked(NO_PUPIL, NAN, 0.0)
        image = np.zeros(CAMERA.size_px[::-1], np.uint8)
        image[0, :8] = np.array([key]).view(np.uint8)
        return Frame(self._number, time_s, NAN, image)

    def pose(self, pose: Pose, now_s: float) -> None:
        self._patient.pose(pose, now_s)

    def close(self) -> None:
        pass

    def _seen(self, state: EyeState) -> Tracked:
        truth = self._painter.truth(state)
        if not truth.visible_share > HIDDEN:
            return Tracked(NO_PUPIL, NAN, 0.0)
        dx, dy = PIXEL_NOISE * self._rng.standard_normal(2)
        pupil = Pupil(truth.x_px + dx, truth.y_px + dy, *truth[2:5], truth.visible_share, 0.9)
        rotation_deg = truth.rotation_deg + TORSION_NOISE_DEG * self._rng.standard_normal()
        return Tracked(pupil, rotation_deg, 0.9)


class SteppedGoggles:
    """A recorder before an invented `patient`; `step` lets time pass.

    `pictures`: eye pictures are painted and tracked; else the tracker is told the truth with usual noise.
    """

    def __init__(self, pattern: Pattern, seed: int, data: Path, rate_hz: float, *, pictures: bool) -> None:
        self.clock, self._rate_hz, self._pictures = SteppedClock(), rate_hz, pictures
        self.patient = Patient(pattern, seed)
        self._known: dict[int, Tracked] = {}
        cameras = tuple(CameraProfile(eye, (CAMERA.view(eye),), CAMERA.geometry()) for eye in EYES)
        profile = GoggleProfile("stepped", cameras)
        self.plan = GogglesPlan(profile, {eye: eye for eye in EYES}, data, rule=NO_SPARE)
        self.recorder = LiveRecorder(
            self.plan, clock=self.clock, tracker_factory=self._tracker, opener=self._open
        )

    def open(self, plan: GogglesPlan) -> LiveRecorder:
        self.recorder.open()
        self.clock.followers.append(self.recorder)
        return self.recorder

    def step(self, seconds: float) -> None:
        """Let time pass; every frame until then is tracked when this returns."""
        self.clock.advance(seconds)

    def _tracker(self) -> EyeTracker:
        return Tracker() if self._pictures else ToldTracker(self._known)

    def _open(self, identity: str, clock: Clock, asked: CameraSettings) -> PacedSource:
        eye: Eye = "right" if identity == "right" else "left"
        painted = RespondingSource(self.patient, eye, clock, self._rate_hz, CAMERA)
        told = ToldSource(self.patient, eye, self._rate_hz, self._known)
        return PacedSource(painted if self._pictures else told, clock, same_clock=True)
