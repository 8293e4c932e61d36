"""What the eye does by itself: saccades to a place, fixation, and the beats of a nystagmus."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, pi, sin

import numpy as np

from capture.simulation.movement import Movement, Vector

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
