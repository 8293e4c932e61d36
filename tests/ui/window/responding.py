"""An invented patient whose eyes answer to where they look and how they lie, moment by moment.

What is true follows by hand: `Answer` gives the velocity of the slow phase at each time after the position
was reached in closed form.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp, log

import numpy as np
from numpy.typing import NDArray

from capture.simulation.movement import SAMPLE_RATE_HZ, minimum_jerk, quick_duration_s

STEP_S = 0.01  # a slow phase is laid down in such pieces
LONGEST_S = 1200.0
LONGEST_SLOW_S = 0.3  # of a slow phase at full speed
GAZE_NOISE_DEG = 0.02


@dataclass(frozen=True)
class Answer:
    """Slow-phase velocity after a position was reached.

    Nothing for `latency_s`, then a straight rise to `peak_dps` within `rise_s`, then a decline with `tau_s`
    until 1 deg/s; `tau_s` of infinity goes on for ever.
    """

    peak_dps: tuple[float, float, float]  # horizontal, vertical, torsional; signed slow phase
    latency_s: float = 2.0
    rise_s: float = 3.0
    tau_s: float = 5.0

    def velocity_dps(self, since_s: float) -> NDArray[np.float64]:
        """(3,) at a time since the position was reached."""
        after_s = since_s - self.latency_s
        if after_s < 0:
            return np.zeros(3)
        share = after_s / self.rise_s if after_s < self.rise_s else exp(-(after_s - self.rise_s) / self.tau_s)
        velocity = share * np.array(self.peak_dps)
        past = after_s > self.rise_s and np.abs(velocity).max() < 1.0
        return np.zeros(3) if past else velocity

    def duration_s(self, axis: int) -> float:
        """Until the slow phase of this axis falls below 1 deg/s."""
        return self.rise_s + self.tau_s * log(abs(self.peak_dps[axis]))


class RespondingEyes:
    """Both eyes move alike. `reach` says which position was reached when, `look` where to look."""

    def __init__(self, answers: Mapping[str, Answer], seed: int) -> None:
        """`answers` by the key of the step; a position without one shows nothing."""
        self._answers = answers
        self._rng = np.random.default_rng(seed)
        self._gaze_deg = np.zeros((round(LONGEST_S * SAMPLE_RATE_HZ), 3))  # one row each millisecond
        self._now = 0  # rows laid down so far
        self._rest = np.zeros(3)  # where the eyes look when nothing drives them
        self._position, self._reached_s = "", 0.0

    def look(self, horizontal_deg: float, vertical_deg: float) -> None:
        """Look there from now on."""
        self._rest = np.array([horizontal_deg, vertical_deg, 0.0])

    def reach(self, position: str, now_s: float) -> None:
        """A position is reached; "" for a movement."""
        self._position, self._reached_s = position, now_s

    def gaze_deg(self, time_s: float) -> NDArray[np.float64]:
        """(3,) where the eyes point."""
        at = round(time_s * SAMPLE_RATE_HZ)
        while self._now <= at:
            self._move()
        return self._gaze_deg[at] + GAZE_NOISE_DEG * self._rng.standard_normal(3)

    def _move(self) -> None:
        """A quick phase back when the eyes have drifted far enough, else a piece of slow phase."""
        here = self._gaze_deg[self._now - 1] if self._now else np.zeros(3)
        answer = self._answers.get(self._position)
        since_s = self._now / SAMPLE_RATE_HZ - self._reached_s
        velocity = answer.velocity_dps(since_s) if answer is not None else np.zeros(3)
        away = here - self._rest
        reach_deg = max(0.8, LONGEST_SLOW_S * float(np.linalg.norm(velocity)))
        if np.linalg.norm(away) > reach_deg:
            self._lay(here - away * minimum_jerk_of(away))
        else:
            time_s = np.arange(1, round(STEP_S * SAMPLE_RATE_HZ) + 1)[:, None] / SAMPLE_RATE_HZ
            self._lay(here + velocity * time_s)

    def _lay(self, gaze_deg: NDArray[np.float64]) -> None:
        self._gaze_deg[self._now : self._now + len(gaze_deg)] = gaze_deg
        self._now += len(gaze_deg)


def minimum_jerk_of(amplitude_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n, 1) share of the way of a quick phase, each millisecond of its duration."""
    count = max(round(quick_duration_s(amplitude_deg) * SAMPLE_RATE_HZ), 1)
    return minimum_jerk(np.arange(1, count + 1) / count)[:, None]
