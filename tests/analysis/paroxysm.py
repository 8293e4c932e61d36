"""Positional tests in closed form: slow-phase velocity is a written curve, quick phases take it back.

Velocity in a position, t after it was reached: 0 until the latency, then peak * shape(t - latency), where
shape(u) = ((u / rise) exp(1 - u / rise))^power up to its maximum of 1 at `rise_s`, then
exp(-(u - rise) / tau).
Position is its integral, less the quick phases. Nothing here calls product code for the numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recordings.event import Event
from tests.analysis.sawtooth import Made, MadeRecording, Phase, make_recording

Triple = tuple[float, float, float]
STILL = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Course:
    """A nystagmus in one position; the defaults are a course that a paroxysm could have."""

    peak_dps: Triple = STILL  # slow phase: horizontal, vertical, torsional
    latency_s: float = 3.0
    rise_s: float = 2.0
    power: float = 1.0  # of the rise: 2 begins gently
    tau_s: float = 4.0
    lasts_s: float = 1e9  # from its beginning; cut there
    constant_dps: Triple = STILL  # all the time, under it
    beats_hz: float = 3.0
    quick_s: float = 0.04

    def shape(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Share of the peak at times from when the position was reached."""
        since = time_s - self.latency_s
        risen = np.maximum(since, 0.0) / self.rise_s
        rising = (risen * np.exp(1 - risen)) ** self.power
        falling = np.exp(-(since - self.rise_s) / self.tau_s)
        share = np.where(since < self.rise_s, rising, falling)
        return np.where((since > 0) & (since < self.lasts_s), share, 0.0)

    def velocity_dps(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Slow-phase velocity (n, 3)."""
        return self.shape(time_s)[:, None] * np.array(self.peak_dps) + np.array(self.constant_dps)


@dataclass(frozen=True)
class Position:
    """One step: its key, length, when its position is reached, and what the eyes do from then on."""

    key: str
    seconds: float
    course: Course = Course()
    second: Course | None = None  # a further course in the same position, such as a reversal
    reached_after_s: float | None = 2.0  # None: no event


def position_deg(position: Position, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n, 3) at times from the start of the step: integral of the velocity, taken back by quick phases."""
    since = time_s - (position.reached_after_s or 0.0)
    velocity = position.course.velocity_dps(since)
    if position.second is not None:
        velocity = velocity + position.second.velocity_dps(since)
    slow = np.cumsum(velocity, axis=0) * float(time_s[1] - time_s[0])
    period_s, quick_s = 1 / position.course.beats_hz, position.course.quick_s
    place = slow.copy()
    for k in range(1, int(time_s[-1] / period_s) + 1):  # each quick phase takes back what was gained since
        start_s, before_s = k * period_s, (k - 1) * period_s
        gained = _at(time_s, slow, start_s + quick_s / 2) - _at(time_s, slow, before_s + quick_s / 2)
        done = np.clip((time_s - start_s) / quick_s, 0, 1)
        place -= (1 - np.cos(np.pi * done))[:, None] / 2 * gained
    return place


def _at(time_s: NDArray[np.float64], values: NDArray[np.float64], when_s: float) -> NDArray[np.float64]:
    return np.array([np.interp(when_s, time_s, values[:, axis]) for axis in range(3)])


def positional(*positions: Position, procedure: str = "", seed: int = 7, **made: object) -> MadeRecording:
    """The recording of these positions, one after another, behind 3 s of targets; the right eye alone."""
    phases = tuple(Phase(p.key, p.seconds) for p in positions)
    whole = Made(phases, **{"eyes": ("right",), "procedure": procedure, **made})  # type: ignore[arg-type]
    recording = make_recording(replace(whole, noise_deg=0.0))
    rng, events = np.random.default_rng(seed), list(recording.events)
    time = next(iter(recording.samples.values()))["time_s"]
    course = np.zeros((len(time), 3))
    for position, step in zip(positions, recording.events, strict=True):
        inside = (time >= step.start_s) & (time < step.end_s)
        course[inside] = position_deg(position, time[inside] - step.start_s)
        if position.reached_after_s is not None:
            reached_s = step.start_s + position.reached_after_s
            events.append(Event(reached_s, reached_s, "reached", position.key))
    for rows in recording.samples.values():
        seen = course + rng.normal(0, whole.noise_deg, course.shape)
        for axis, name in enumerate(("horizontal", "vertical", "torsional")):
            rows[f"{name}_deg"] = seen[:, axis]
    return replace(recording, events=tuple(events))
