"""What the simulated patient is asked to do, step by step, and what troubles the eye meanwhile."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, pi, sin
from typing import Literal, Protocol

import numpy as np

from capture.samples import Target
from capture.simulation.movement import Movement, Vector

Light = Literal["light", "dark", "fixation"]
LATENCY_S = 0.2  # of a saccade to a new target (clinical reference 9.5: usual means 180 to 200 ms)
MICROSACCADES_PER_S = 0.8  # while fixating (usual 0.5 to 2, from memory)
SLOWEST_DPS = 0.3  # below this a nystagmus has died down and the eye just stays
SMALLEST_QUICK_DEG = 0.4
NEAR_DEG = 5.0


@dataclass(frozen=True, slots=True)
class Paroxysm:
    """A nystagmus that comes after a while, grows and dies down; times in seconds."""

    latency_s: float = 3.0
    rise_s: float = 4.0
    decay_s: float = 10.0  # to 1/e

    def strength(self, time_s: float) -> float:
        """0..1 at a time since the start of the step."""
        since = time_s - self.latency_s
        if since <= 0:
            return 0.0
        if since < self.rise_s:
            return sin(0.5 * pi * since / self.rise_s) ** 2
        return exp(-(since - self.rise_s) / self.decay_s)


@dataclass(frozen=True, slots=True)
class Nystagmus:
    """Jerk nystagmus. The quick phases bring the eye back to where it should look."""

    slow_phase_velocity_dps: tuple[float, float, float]  # horizontal, vertical, torsional
    beats_per_s: float = 2.0
    amplitude_deg: float | None = None  # instead of beats_per_s: size of the usual quick phase
    variation: float = 0.15  # standard deviation of intervals and velocities from beat to beat, as a share
    envelope: Paroxysm | None = None

    def velocity_dps(self, time_s: float, factor: float) -> Vector:
        """(3,) slow-phase velocity at a time since the start of the step, without the variation."""
        strength = 1.0 if self.envelope is None else self.envelope.strength(time_s)
        return factor * strength * np.array(self.slow_phase_velocity_dps)

    def slow_phase_s(self, speed_dps: float) -> float:
        """Usual duration of a slow phase at this speed."""
        if self.amplitude_deg is not None:
            return min(self.amplitude_deg / speed_dps, 2.0)
        return max(1 / self.beats_per_s - 0.06, 0.08)


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


def look_to(movement: Movement, place_deg: Vector, at_s: float, end_s: float) -> None:
    """A saccade that starts at `at_s` and falls a little short, and a corrective one; nothing if near."""
    away = place_deg - movement.position
    if np.linalg.norm(away) < 0.3 or at_s > end_s - 0.15:
        return
    movement.slow(at_s)
    short = movement.rng.uniform(0.0, 0.1)
    movement.quick((1 - short) * away, "saccade")
    if short * np.linalg.norm(away) > 0.4 and movement.now_s < end_s - 0.3:
        movement.slow(movement.now_s + movement.rng.uniform(0.13, 0.18))
        movement.quick(place_deg - movement.position, "corrective")


def fixate(movement: Movement, end_s: float, place_deg: Vector, share: float = 1.0) -> None:
    """Stay with microsaccades, away and back; `share` of the usual number."""
    while movement.now_s < end_s:
        movement.slow(
            min(end_s, movement.now_s + movement.rng.exponential(1 / (share * MICROSACCADES_PER_S)))
        )
        if movement.now_s > end_s - 0.1:
            movement.slow(end_s)
            return
        off = np.array([*movement.rng.normal(0, 0.12, 2), 0.0])
        away = place_deg + off - movement.position
        if np.linalg.norm(away) > 0.05:
            movement.quick(away, "microsaccade")


def beat_about(
    movement: Movement,
    nystagmus: Nystagmus,
    factor: float,
    end_s: float,
    place_deg: Vector,
    on_target: bool = False,
) -> None:
    """Beats round a place: quick phases land half a slow phase beyond it, or on it if `on_target`."""
    start_s, rng = movement.now_s, movement.rng
    while movement.now_s < end_s:
        usual = nystagmus.velocity_dps(movement.now_s - start_s, factor)
        velocity = usual * max(0.3, 1 + nystagmus.variation * rng.standard_normal())
        speed = float(np.linalg.norm(velocity))
        if speed < SLOWEST_DPS:
            movement.slow(min(end_s, movement.now_s + 0.1))
            continue
        usual_s = nystagmus.slow_phase_s(speed)
        slow_s = usual_s * rng.lognormal(0, nystagmus.variation)
        lead = 0.0 if on_target else 0.5 * (1 + 0.3 * nystagmus.variation * rng.standard_normal())
        land = place_deg - lead * usual_s * velocity
        behind = float((movement.position - land) @ velocity) / speed  # how far a quick phase would go now
        slow_s = max(slow_s, (SMALLEST_QUICK_DEG - behind) / speed)
        if movement.now_s + slow_s > end_s - 0.12:
            movement.slow(end_s, velocity)
            return
        movement.beat(movement.now_s + slow_s, velocity, land)
