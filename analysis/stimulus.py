"""What the patient was shown and when: the places of a target over time, held against frames."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.procedure import Recorded, Step, Window

Floats = NDArray[np.float64]
SLACK_S = 0.1  # by which a target may reach beyond its step
LEAST_JUMP_DEG = 1.0  # smaller changes of place are no jump


@dataclass(frozen=True, slots=True)
class Jump:
    """A target that leaps along one axis at `at_s` and stays until `until_s`."""

    at_s: float
    until_s: float
    from_deg: float
    to_deg: float

    @property
    def size_deg(self) -> float:
        """Signed: positive to the patient's right or up."""
        return self.to_deg - self.from_deg


@dataclass(frozen=True, slots=True)
class Shown:
    """Where a target stood: at `position_deg[k]` from `time_s[k]` on, the last until `end_s`. Read-only."""

    time_s: Floats  # (n,) increasing, from the recording's zero
    position_deg: Floats  # (n, 2) horizontal, vertical
    end_s: float

    def jumps(self, axis: int) -> tuple[Jump, ...]:
        """Every leap along an axis (0 horizontal, 1 vertical), in order of time."""
        place = self.position_deg[:, axis]
        at = np.flatnonzero(np.abs(np.diff(place)) >= LEAST_JUMP_DEG) + 1
        until = [*self.time_s[at[1:]].tolist(), self.end_s]
        return tuple(
            Jump(float(self.time_s[k]), end_s, float(place[k - 1]), float(place[k]))
            for k, end_s in zip(at.tolist(), until, strict=True)
        )


def shown_from_arrays(time_s: ArrayLike, position_deg: ArrayLike, end_s: float) -> Shown:
    """A stimulus from times (n,) and places (n, 2).

    Raises ValueError naming the argument that is of a wrong shape, not finite, or not in order.
    """
    time, position = np.array(time_s, np.float64), np.array(position_deg, np.float64)
    if time.ndim != 1 or not time.size:
        raise ValueError(f"time_s must have one dimension and a value, got shape {time.shape}")
    if position.shape != (time.size, 2):
        raise ValueError(f"position_deg must have shape ({time.size}, 2), got {position.shape}")
    if not np.isfinite(time).all() or np.any(np.diff(time) <= 0):
        raise ValueError("time_s must be finite and increase")
    if not np.isfinite(position).all():
        raise ValueError("position_deg must be finite")
    if not time[-1] < end_s < np.inf:
        raise ValueError(f"end_s must be finite and later than the last of time_s, got {end_s}")
    time.setflags(write=False)
    position.setflags(write=False)
    return Shown(time, position, float(end_s))


def shown_in(recording: Recorded, window: Window, step: Step) -> Shown | None:
    """The targets of one step: those that the recording holds within it, else those that the step asks for.

    None where neither has any.
    """
    inside = [
        t
        for t in recording.targets
        if window.start_s - SLACK_S <= t.start_s and t.end_s <= window.end_s + SLACK_S
    ]
    if not inside:
        inside = [
            t._replace(start_s=t.start_s + window.start_s, end_s=t.end_s + window.start_s)
            for t in step.targets
            if t.start_s + window.start_s < window.end_s
        ]
    if not inside:
        return None
    places = [(t.horizontal_deg, t.vertical_deg) for t in inside]
    return shown_from_arrays([t.start_s for t in inside], places, inside[-1].end_s)
