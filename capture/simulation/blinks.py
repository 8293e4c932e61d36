"""Blinks of an invented patient: drawn one after the other, as far as time has come."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

BLINK_DIP_DEG = (0.0, -1.5, 0.0)  # transient of the eye behind the lid (from memory)
SHORTEST_INTERVAL_S = 0.8


class Blink(NamedTuple):
    """Lid down, shut for a moment, and up again; seconds."""

    start_s: float
    shut_s: float
    opens_s: float
    end_s: float

    def closure(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """(n,) 0 open to 1 shut."""
        ramp = np.interp(time_s, self, [0.0, 1.0, 1.0, 0.0])
        return ramp * ramp * (3 - 2 * ramp)


class Blinks:
    """Down in 60 to 100 ms, shut for a moment, up in 100 to 200 ms; about `every_s` apart, None: never."""

    def __init__(self, rng: np.random.Generator, every_s: float | None, start_s: float = 0.0) -> None:
        self._rng, self._every_s, self._drawn_s = rng, every_s, start_s
        self._blinks: list[Blink] = []

    def until(self, time_s: float) -> list[Blink]:
        """Every blink that begins before `time_s`, and perhaps some after it."""
        while self._every_s is not None and self._drawn_s < time_s:
            at_s = self._drawn_s + max(SHORTEST_INTERVAL_S, self._every_s * self._rng.lognormal(-0.18, 0.6))
            down_s, shut_s = self._rng.uniform(0.06, 0.10), self._rng.uniform(0.0, 0.06)
            up_s = self._rng.uniform(0.10, 0.20)
            opens_s = at_s + down_s + shut_s
            self._blinks.append(Blink(at_s, at_s + down_s, opens_s, opens_s + up_s))
            self._drawn_s = opens_s + up_s
        return self._blinks

    def closure(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """(n,) of the lid at times (n,) that do not go back: 0 open to 1 shut."""
        time = np.atleast_1d(np.asarray(time_s, dtype=np.float64))
        closed = np.zeros(time.size)
        for blink in reversed(self.until(float(time[-1]))):
            if blink.end_s < time[0]:
                break
            part = slice(*np.searchsorted(time, (blink.start_s, blink.end_s)))
            closed[part] = blink.closure(time[part])
        return closed
