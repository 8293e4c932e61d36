"""What the simulated patient is asked to do, step by step, and what troubles the eye meanwhile."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import Literal, Protocol

import numpy as np

from capture.samples import Target
from capture.simulation.eye_behaviour import (
    LATENCY_S,
    NEAR_DEG,
    Nystagmus,
    beat_about,
    fixate,
    look_to,
)
from capture.simulation.movement import Movement

Light = Literal["light", "dark", "fixation"]


class Step(Protocol):
    """One thing the patient does."""

    @property
    def light(self) -> Light:
        """What the patient sees meanwhile."""
        ...

    @property
    def duration_s(self) -> float:
        """How long it takes."""
        ...

    def play(self, movement: Movement) -> None:
        """Lay the gaze down to the end of the step."""
        ...

    def targets(self, start_s: float) -> tuple[Target, ...]:
        """Targets of known angle that are shown, for a step that starts at `start_s`."""
        ...


@dataclass(frozen=True, slots=True)
class LookAt:
    """Calibration targets, one after the other."""

    points_deg: tuple[tuple[float, float], ...] = (
        (0, 0), (10, 0), (15, 0), (-10, 0), (-15, 0), (0, 10), (0, -10), (0, 0),
    )  # fmt: skip
    hold_s: float = 1.6
    miss_deg: float = 0.1  # standard deviation of where the eye settles beside the target
    nystagmus: Nystagmus | None = None  # then each quick phase ends on the target
    suppression: float = 1.0
    light: Light = "light"

    @property
    def duration_s(self) -> float:
        """All targets."""
        return self.hold_s * len(self.points_deg)

    def targets(self, start_s: float) -> tuple[Target, ...]:
        """The targets with their times."""
        return tuple(
            Target(start_s + k * self.hold_s, start_s + (k + 1) * self.hold_s, h, v)
            for k, (h, v) in enumerate(self.points_deg)
        )

    def play(self, movement: Movement) -> None:
        """A saccade to each target after the latency, a corrective one, then fixation."""
        start_s = movement.now_s
        for k, point in enumerate(self.points_deg):
            miss = movement.rng.normal(0, self.miss_deg, 2)
            place = np.array([point[0] + miss[0], point[1] + miss[1], 0.0])
            end_s = start_s + (k + 1) * self.hold_s
            look_to(movement, place, movement.now_s + LATENCY_S * movement.rng.lognormal(0, 0.12), end_s)
            if self.nystagmus is None:
                fixate(movement, end_s, place)
            else:
                beat_about(movement, self.nystagmus, self.suppression, end_s, place, on_target=True)


@dataclass(frozen=True, slots=True)
class Hold:
    """Look at one place, or into darkness, with or without nystagmus."""

    seconds: float
    light: Light = "dark"
    gaze_deg: tuple[float, float] = (0.0, 0.0)
    nystagmus: Nystagmus | None = None
    suppression: float = 1.0  # factor on the slow-phase velocity, e.g. 0.3 while fixating

    @property
    def duration_s(self) -> float:
        """As asked."""
        return self.seconds

    def targets(self, start_s: float) -> tuple[Target, ...]:
        """None: nothing of known angle is asked for."""
        return ()

    def play(self, movement: Movement) -> None:
        """Go there, then stay or beat."""
        end_s = movement.now_s + self.seconds
        place = np.array([*self.gaze_deg, 0.0])
        near = np.linalg.norm(place - movement.position) < NEAR_DEG
        if self.nystagmus is None or not near:  # else the next quick phase brings the eye there
            look_to(movement, place, movement.now_s + LATENCY_S, end_s)
        if self.nystagmus is not None:
            beat_about(movement, self.nystagmus, self.suppression, end_s, place)
        else:
            fixate(movement, end_s, place, 0.3 if self.light == "dark" else 1.0)


@dataclass(frozen=True, slots=True)
class Pursue:
    """Follow a target that swings as a sine."""

    seconds: float
    amplitude_deg: tuple[float, float] = (15.0, 0.0)  # horizontal, vertical
    frequency_hz: float = 0.3
    gain: float = 0.95
    light: Light = "light"

    @property
    def duration_s(self) -> float:
        """As asked."""
        return self.seconds

    def targets(self, start_s: float) -> tuple[Target, ...]:
        """None: a moving target calibrates nothing."""
        return ()

    def play(self, movement: Movement) -> None:
        """Smooth pursuit in pieces of 10 ms, with a catch-up saccade whenever the eye lags too far."""
        start_s = movement.now_s
        end_s = start_s + self.seconds
        swing = np.array([*self.amplitude_deg, 0.0])
        rate = 2 * pi * self.frequency_hz
        look_to(movement, np.zeros(3), start_s + LATENCY_S, end_s)
        checked_s = movement.now_s
        while movement.now_s < end_s - 0.1:
            phase = rate * (movement.now_s - start_s)
            movement.slow(movement.now_s + 0.01, self.gain * swing * rate * np.cos(phase))
            behind = swing * np.sin(rate * (movement.now_s - start_s)) - movement.position
            if movement.now_s > checked_s + 0.25 and np.linalg.norm(behind) > 1.0:
                movement.quick(behind, "catch_up")
                checked_s = movement.now_s
        movement.slow(end_s)


@dataclass(frozen=True, slots=True)
class Jumps:
    """Saccades to a target that jumps at random times to random places."""

    count: int = 20
    largest_deg: tuple[float, float] = (15.0, 0.0)  # horizontal, vertical, to either side
    interval_s: float = 1.5
    light: Light = "light"

    @property
    def duration_s(self) -> float:
        """All jumps."""
        return self.count * self.interval_s

    def targets(self, start_s: float) -> tuple[Target, ...]:
        """None: the patient may be slow or wrong here."""
        return ()

    def play(self, movement: Movement) -> None:
        """One saccade a jump."""
        start_s = movement.now_s
        for k in range(self.count):
            place = np.array([*movement.rng.uniform(-1, 1, 2) * self.largest_deg, 0.0])
            end_s = start_s + (k + 1) * self.interval_s
            wait_s = movement.rng.uniform(0, 0.3) + LATENCY_S
            look_to(movement, place, movement.now_s + wait_s, end_s)
            fixate(movement, end_s, place)


@dataclass(frozen=True, slots=True)
class Slip:
    """The goggles move on the face."""

    at_s: float
    shift_mm: tuple[float, float, float] = (1.0, -0.7, 0.0)  # along x (patient's left), y (up), z (forward)
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)  # about x, y, z


@dataclass(frozen=True, slots=True)
class Scenario:
    """Steps, and everything else that happens. Times in seconds from the start."""

    steps: tuple[Step, ...]
    blink_every_s: float | None = 4.0  # mean interval; None: no blinks
    unsteadiness: float = 1.0  # share of the usual fixation drift; 0: none
    slip: Slip | None = None
    light_changes: tuple[tuple[float, float], ...] = ()  # (from when, infrared light; 1 before)
    droop: tuple[float, float, float] | None = None  # from, to, opening of the lids at the end
    pupil_mm: float | None = None  # None: follows the light

    @property
    def duration_s(self) -> float:
        """All steps."""
        return sum(step.duration_s for step in self.steps)
