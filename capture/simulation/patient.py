"""A whole simulated visit: one or two eyes, their cameras, and sources that deliver their pictures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from capture.profile import EyeView, MountGeometry
from capture.samples import NAN, Eye, Frame, Target
from capture.simulation.anatomy import SimulatedEye, draw_eye
from capture.simulation.camera import Camera
from capture.simulation.painter import EyeState, Look, Painter
from capture.simulation.scenario import Scenario
from capture.simulation.signals import Signals, play
from capture.simulation.truth import FRAME_DTYPE, Truth
from capture.source import Source, SourceInfo


class Exposure(NamedTuple):
    """One exposure of one eye."""

    since_s: float  # from the start of the scenario
    stamp_s: float  # host time that the frame carries
    lost: bool  # never delivered
    state: EyeState


class SimulatedPatient:
    """An invented patient before simulated goggles.

    Picture number n is exposed round the time n / `rate_hz` after the scenario's start, which has the host
    time `start_s`. Everything left to chance follows from the seed, so a visit can be repeated exactly.

    scenario: what happens. rate_hz: true rate; `nominal_rate_hz` is what the source claims.
    size: width and height of a picture as delivered. camera: for both eyes, or one for each.
    lost_share: exposures that never arrive. jitter_s: standard deviation of the frames' time stamps.
    anatomy: eyes to use instead of the seed's.
    """

    def __init__(
        self,
        scenario: Scenario,
        seed: int,
        eyes: tuple[Eye, ...] = ("right", "left"),
        rate_hz: float = 250.0,
        size: tuple[int, int] = (320, 240),
        *,
        camera: Camera | Mapping[Eye, Camera] | None = None,
        look: Look | None = None,
        nominal_rate_hz: float | None = None,
        lost_share: float = 0.0,
        jitter_s: float = 0.0,
        exposure_s: float = 0.002,
        start_s: float = 0.0,
        anatomy: Mapping[Eye, SimulatedEye] | None = None,
    ) -> None:
        self.scenario, self.seed, self.eyes, self.rate_hz = scenario, seed, eyes, rate_hz
        self.nominal_rate_hz = nominal_rate_hz or rate_hz
        self.start_s = start_s
        self.anatomy: dict[Eye, SimulatedEye] = {
            eye: anatomy[eye] if anatomy else draw_eye(seed, eye) for eye in eyes
        }
        given = camera or Camera()
        cameras: dict[Eye, Camera] = {eye: given if isinstance(given, Camera) else given[eye] for eye in eyes}
        self.cameras: dict[Eye, Camera] = {eye: one.resized(size) for eye, one in cameras.items()}
        self.signals: Signals = play(scenario, seed, start_s)
        self._look = look or Look()
        count = int(scenario.duration_s * rate_hz + 1e-9)
        self._time_s = np.arange(count) / rate_hz
        rng = np.random.default_rng([seed, 21])
        self._lost = {eye: _losses(rng, count, lost_share) for eye in eyes}
        self._stamp_s = {eye: start_s + self._time_s + self._jitter(rng, jitter_s) for eye in eyes}
        self._states = {eye: self._sampled(eye, exposure_s) for eye in eyes}

    def _jitter(self, rng: np.random.Generator, jitter_s: float) -> NDArray[np.float64]:
        """(n,) error of the time stamps; small enough that they never go backwards, none at the first."""
        late = np.clip(
            jitter_s * rng.standard_normal(self._time_s.size), -0.4 / self.rate_hz, 0.4 / self.rate_hz
        )
        late[:1] = 0.0
        return late

    def _sampled(self, eye: Eye, exposure_s: float) -> NDArray[np.float64]:
        """(n, 9) fields of EyeState for the middle of each exposure."""
        signals, times = self.signals, self._time_s
        gaze = [signals.sample(column, times) for column in signals.gaze_deg.T]
        before = [signals.sample(column, times - exposure_s / 2) for column in signals.gaze_deg.T[:2]]
        after = [signals.sample(column, times + exposure_s / 2) for column in signals.gaze_deg.T[:2]]
        smear = [late - early for early, late in zip(before, after, strict=True)]
        anatomy, widening = self.anatomy[eye], signals.sample(signals.widening, times)
        pupil = anatomy.pupil_light_mm + widening * (anatomy.pupil_dark_mm - anatomy.pupil_light_mm)
        if self.scenario.pupil_mm is not None:
            pupil = np.full_like(pupil, self.scenario.pupil_mm)
        opening = signals.sample(signals.opening, times)
        light = signals.sample(signals.light, times)
        return np.stack([*gaze, np.clip(pupil, 2, 8), opening, light, np.ones_like(light), *smear], axis=1)

    def painters(self, eye: Eye) -> list[tuple[float, Painter]]:
        """Painters of one eye, each with the time from the start at which it takes over."""
        camera, slip = self.cameras[eye], self.scenario.slip
        found = [(0.0, Painter(self.anatomy[eye], camera, self._look))]
        if slip is not None:
            moved = replace(camera, shift_mm=slip.shift_mm, slip_deg=slip.turn_deg)
            found.append((slip.at_s, Painter(self.anatomy[eye], moved, self._look)))
        return found

    def source(self, eye: Eye) -> Source:
        """Pictures of one eye, as fast as they are read (in real time: `PacedSource`)."""
        return _SimulatedSource(self, (eye,))

    def both(self) -> Source:
        """Pictures that show the right eye at the left and the left eye at the right (see `both_views`)."""
        return _SimulatedSource(self, ("right", "left"))

    def view(self, eye: Eye) -> EyeView:
        """How the picture of `source` shows this eye."""
        return self.cameras[eye].view(eye)

    def both_views(self) -> tuple[EyeView, ...]:
        """How the picture of `both` shows each eye."""
        width, height = self.cameras["right"].size_px
        return tuple(
            EyeView(eye, (at * width, 0, width, height), view.mirrored, view.rotation_deg)
            for at, eye in enumerate(("right", "left"))
            for view in (self.view(eye),)
        )

    def geometry(self, eye: Eye) -> MountGeometry:
        """The measured mount of this eye's camera."""
        return self.cameras[eye].geometry()

    def targets(self) -> tuple[Target, ...]:
        """What the patient was asked to look at, host time."""
        return self.signals.targets

    def steps(self) -> tuple[tuple[float, float, str], ...]:
        """Start, end (host time) and light ("light", "dark", "fixation") of each step."""
        return self.signals.steps

    @cached_property
    def truth(self) -> Truth:
        """Everything that is known about the visit (worked out at the first call)."""
        return Truth(
            self.seed,
            self.rate_hz,
            {eye: self._true_frames(eye) for eye in self.anatomy},
            self.signals.beats,
            self.signals.events,
            self.targets(),
            self.steps(),
            self.anatomy,
            self.cameras,
        )

    def write_truth(self, folder: Path) -> tuple[Path, ...]:
        """Write the truth beside a recording; see `Truth.write`."""
        return self.truth.write(folder)

    def _true_frames(self, eye: Eye) -> NDArray[np.void]:
        rows = np.zeros(self._time_s.size, FRAME_DTYPE)
        painters = self.painters(eye)
        blinking = self.signals.sample(self.signals.blinking.astype(float), self._time_s) > 0
        for k, values in enumerate(self._states[eye]):
            state = EyeState(*values.tolist())
            seen = _painter_at(painters, float(self._time_s[k])).truth(state)
            time_s = self.start_s + self._time_s[k]
            rows[k] = (k, time_s, self._lost[eye][k], *state[:3], *seen, *state[3:6], blinking[k])
        return rows

    def frame_count(self) -> int:
        """Exposures of each eye."""
        return self._time_s.size

    def lost_count(self, eye: Eye) -> int:
        """Exposures of this eye that are never delivered."""
        return int(self._lost[eye].sum())

    def exposure(self, eye: Eye, number: int) -> Exposure:
        """One exposure of one eye."""
        return Exposure(
            float(self._time_s[number]),
            float(self._stamp_s[eye][number]),
            bool(self._lost[eye][number]),
            EyeState(*self._states[eye][number].tolist()),
        )


class _SimulatedSource:
    """A source of one eye's pictures, or of both side by side."""

    def __init__(self, patient: SimulatedPatient, eyes: tuple[Eye, ...]) -> None:
        self._patient, self._eyes = patient, eyes
        self._painters = {eye: patient.painters(eye) for eye in eyes}
        self._next = 0
        if patient.frame_count():
            self._picture(0)  # compiles what is not compiled yet, before the first frame is due
        width, height = patient.cameras[eyes[0]].size_px
        self.info = SourceInfo(
            name=f"simulated-{'-'.join(eyes)}",
            width_px=width * len(eyes),
            height_px=height,
            nominal_rate_hz=patient.nominal_rate_hz,
            times="measured",
            frame_count=patient.frame_count() - patient.lost_count(eyes[0]),
        )

    def read(self) -> Frame | None:
        """The next picture that is not lost; None at the end."""
        while self._next < self._patient.frame_count():
            number = self._next
            self._next += 1
            exposure = self._patient.exposure(self._eyes[0], number)
            if exposure.lost:
                continue
            image = self._picture(number)
            image.setflags(write=False)
            return Frame(number, exposure.stamp_s, NAN, image)
        return None

    def _picture(self, number: int) -> NDArray[np.uint8]:
        parts = []
        for eye in self._eyes:
            exposure = self._patient.exposure(eye, number)
            parts.append(_painter_at(self._painters[eye], exposure.since_s).image(exposure.state, number))
        return parts[0] if len(parts) == 1 else np.hstack(parts)

    def close(self) -> None:
        """Nothing to let go of: the next `read` answers None."""
        self._next = self._patient.frame_count()


def _painter_at(painters: list[tuple[float, Painter]], since_s: float) -> Painter:
    return next(one for from_s, one in reversed(painters) if since_s >= from_s)


def _losses(rng: np.random.Generator, count: int, share: float) -> NDArray[np.bool_]:
    """Exposures (n,) that are lost; never the first."""
    lost = rng.random(count) < share
    lost[:1] = False
    return lost
