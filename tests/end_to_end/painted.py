"""A procedure led on an invented patient before simulated cameras: every picture is painted and tracked.

What goes in is a pattern and the truth of the cameras; what comes out is a sealed recording, calibrated from
its own pictures. Pictures are small and few, so that minutes of them take one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import nan
from pathlib import Path

import numpy as np

from analysis.procedure import Procedure
from capture.clock import SystemClock
from capture.pose import Pose
from capture.profile import CameraProfile, GoggleProfile
from capture.samples import EYES, Eye, Frame, Target
from capture.simulation.camera import Camera
from capture.simulation.painter import EyeState, Painter
from capture.simulation.patterns import Pattern
from capture.simulation.responding import RespondingPatient
from capture.source import SourceInfo
from recordings.event import Event
from recordings.info import Circumstances
from recordings.recorder import Recorder
from recordings.sealed import Recording, open_recording
from tests.analysis.led_patient import lead_step

PLACES_DEG = ((0, 0), (10, 0), (-10, 0), (0, 10), (0, -10), (10, 10), (-10, -10), (0, 0))
HELD_S, SETTLED_S = 1.5, 0.7  # each place is looked at so long, and counts as a target from then on
CAMERA = Camera(size_px=(160, 120), blur_px=0.6)


class PaintedSource:
    """Pictures of one eye, painted as they are asked for, from states that were lived through before."""

    def __init__(self, states: list[EyeState], painter: Painter, rate_hz: float, name: str) -> None:
        self._states, self._painter, self._rate_hz, self._next = states, painter, rate_hz, 0
        painter.image(states[0], 0)  # compiles what is not compiled yet
        self.info = SourceInfo(name, *CAMERA.size_px, rate_hz, "measured", len(states))

    def read(self) -> Frame | None:
        if self._next >= len(self._states):
            return None
        number, self._next = self._next, self._next + 1
        image = self._painter.image(self._states[number], number)
        image.setflags(write=False)
        return Frame(number, number / self._rate_hz, nan, image)

    def close(self) -> None:
        self._next = len(self._states)


def lead_painted(
    procedure: Procedure,
    pattern: Pattern,
    seed: int,
    data: Path,
    *,
    rate_hz: float = 50.0,
    seconds: Mapping[str, float] | None = None,
    gaze_deg: float | None = None,
    exchanged: bool = False,
    mirrored: bool = False,
) -> Recording:
    """Record every step behind eight targets, and open what was sealed.

    `exchanged`: each camera is before the other eye than the profile says; `mirrored`: pictures come
    mirrored, and the profile does not know.
    """
    patient = RespondingPatient(pattern, seed, keep=True)
    rng = np.random.default_rng([seed, 91])
    targets, now_s = [], 0.5
    for across, up in PLACES_DEG:
        patient.pose(Pose("", "light", (float(across), float(up))), now_s)
        targets.append(Target(now_s + SETTLED_S, now_s + HELD_S, float(across), float(up)))
        now_s += HELD_S
    events: list[Event] = []
    for step in procedure.steps:
        lasts_s = (seconds or {}).get(step.key, step.longest_s)
        events += lead_step(step, patient.pose, now_s, lasts_s, float(rng.uniform(1.0, 2.0)), gaze_deg)
        now_s += lasts_s
    states = _lived(patient, int(now_s * rate_hz), rate_hz)
    sources, cameras = {}, []
    for eye in EYES:
        shown: Eye = ("left" if eye == "right" else "right") if exchanged else eye
        painter = Painter(patient.anatomy[shown], replace(CAMERA, mirrored=mirrored))
        sources[eye] = PaintedSource(states[shown], painter, rate_hz, f"painted-{eye}")
        cameras.append(CameraProfile(eye, (CAMERA.view(eye),), CAMERA.geometry()))
    recorder = Recorder(
        GoggleProfile("painted", tuple(cameras)),
        sources,
        data,
        clock=SystemClock(),
        circumstances=Circumstances(
            patient_code="HL-0007", birth_year=1960, training=True, procedure=procedure.key
        ),
        targets=targets,
        events=events,
        images="none",
    )
    return open_recording(recorder.run())


def _lived(patient: RespondingPatient, count: int, rate_hz: float) -> dict[Eye, list[EyeState]]:
    """What each exposure of each eye shows."""
    states: dict[Eye, list[EyeState]] = {eye: [] for eye in EYES}
    for number in range(count):
        for eye in EYES:
            state = patient.state(eye, number / rate_hz + 0.01)
            states[eye].append(state or EyeState())
    return states
