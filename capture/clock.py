"""The one clock: every time in Driftbeat comes from an object of this kind, handed in by the caller."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """Tells host time in seconds (never goes back) and, once a recording, what UTC it was."""

    def now_s(self) -> float:
        """Seconds on the host's steady clock; only differences mean anything."""
        ...

    def utc(self) -> datetime:
        """The wall clock, aware of its zone; may jump, so it is never subtracted."""
        ...


class SystemClock:
    """The host's finest steady clock: `time.perf_counter_ns` (Windows' monotonic one may tick at 15.6 ms)."""

    def now_s(self) -> float:
        """Seconds since an arbitrary start."""
        return time.perf_counter_ns() * 1e-9

    def utc(self) -> datetime:
        """The wall clock now."""
        return datetime.now(UTC)


@dataclass(slots=True)
class SteppedClock:
    """A clock that moves only when told to: tests step through a visit, or set the wall clock back."""

    time_s: float = 0.0
    wall: datetime = datetime(2026, 1, 1, tzinfo=UTC)

    def now_s(self) -> float:
        """Seconds, as last set."""
        return self.time_s

    def utc(self) -> datetime:
        """The wall clock, as last set."""
        return self.wall

    def step(self, seconds: float) -> None:
        """Let `seconds` (not negative) pass on the steady clock.

        Raises ValueError for a negative step: a steady clock never goes back.
        """
        if seconds < 0:
            raise ValueError(f"seconds must not be negative, got {seconds}")
        self.time_s += seconds
