"""Irrigations in closed form: slow-phase velocity peak * shape, shape = x^2 exp(2 (1 - x)), x = t / top.

It is 0 at the start of the irrigation, 1 at `top_s`, and fades. Position is its integral less quick phases.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recordings.event import Event
from tests.analysis.paroxysm import Course, Position, position_deg
from tests.analysis.sawtooth import Made, MadeRecording, Phase, make_recording

SECONDS = (15.0, 30.0, 55.0, 15.0, 45.0)  # of baseline, irrigation, response, light and dark again


@dataclass(frozen=True)
class Caloric(Course):
    """A response to an irrigation; `peak_dps` is the slow phase's, `constant_dps` spontaneous nystagmus."""

    top_s: float = 60.0
    beats_hz: float = 2.0
    fixation_share: float = 0.3  # of the speed that is left with fixation

    def shape(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Share of the peak at times from the start of the irrigation."""
        share = np.maximum(time_s, 0.0) / self.top_s
        return share**2 * np.exp(2 * (1 - share))

    def velocity_dps(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Slow-phase velocity (n, 3); less of it while the light is on, 85 to 100 s after the start."""
        lit = (time_s >= 85.0) & (time_s < 100.0)
        left = np.where(lit, self.fixation_share, 1.0)[:, None]
        return left * Course.velocity_dps(self, time_s)


def irrigated(response: Caloric, procedure: str, seed: int = 7, **made: object) -> MadeRecording:
    """The recording of one irrigation, behind 3 s of targets."""
    _, ear, temperature = procedure.split("_")
    keys = ("baseline", f"{ear} {temperature} irrigation", "response", "fixation", "after")
    phases = tuple(Phase(*step) for step in zip(keys, SECONDS, strict=True))
    whole = Made(phases, procedure=procedure, **made)  # type: ignore[arg-type]
    recording = make_recording(replace(whole, noise_deg=0.0))
    rng = np.random.default_rng(seed)
    start_s, end_s = recording.events[0].start_s, recording.events[-1].end_s
    time = next(iter(recording.samples.values()))["time_s"]
    inside = (time >= start_s) & (time < end_s)
    course = np.zeros((len(time), 3))
    baseline_s = SECONDS[0]
    course[inside] = position_deg(
        Position("", end_s - start_s, response, reached_after_s=baseline_s), time[inside] - start_s
    )
    for rows in recording.samples.values():
        seen = course + rng.normal(0, whole.noise_deg, course.shape)
        for axis, name in enumerate(("horizontal", "vertical", "torsional")):
            rows[f"{name}_deg"] = seen[:, axis]
    events = (*recording.events, Event(start_s + 2, start_s + 2, "confirmed", "baseline"))
    return replace(recording, events=events)
