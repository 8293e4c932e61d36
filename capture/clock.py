"""The one clock: every time in Driftbeat comes from an object of this kind, handed in by the caller."""

from __future__ import annotations

import math
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Protocol

REAL_NAP_S = 0.05  # of real time: who waits for a stepped clock looks up so often, so that a close is heard
SETTLE_POLL_S = 50e-6
SETTLE_LIMIT_S = 30.0  # of real time: followers that have not caught up by then never will


class Clock(Protocol):
    """Tells host time in seconds (never goes back) and, once a recording, what UTC it was."""

    def now_s(self) -> float:
        """Seconds on the host's steady clock; only differences mean anything."""
        ...

    def utc(self) -> datetime:
        """The wall clock, aware of its zone; may jump, so it is never subtracted."""
        ...

    def sleep(self, seconds: float) -> None:
        """Let up to `seconds` pass; a caller that must not wake early looks at `now_s` and sleeps again."""
        ...


class SystemClock:
    """The host's finest steady clock: `time.perf_counter_ns` (Windows' monotonic one may tick at 15.6 ms)."""

    def now_s(self) -> float:
        """Seconds since an arbitrary start."""
        return time.perf_counter_ns() * 1e-9

    def utc(self) -> datetime:
        """The wall clock now."""
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        """Sleep."""
        time.sleep(seconds)


class Follower(Protocol):
    """Something that goes by a stepped clock in threads of its own."""

    def due_s(self) -> float:
        """When it has something to do next; infinity: never."""
        ...

    def caught_up(self) -> bool:
        """Whether everything that was due until now is done."""
        ...


@dataclass(slots=True)
class SteppedClock:
    """A clock that moves only when told to: tests step through a visit, or set the wall clock back.

    A whole recorder runs on it as fast as the machine allows, always with the same outcome:

        clock = SteppedClock()
        recorder = LiveRecorder(plan, clock=clock)     # simulated cameras only
        recorder.open()
        clock.followers.append(recorder)
        clock.advance(0.1)                             # every frame of 0.1 s is read, tracked and shared now
    """

    time_s: float = 0.0
    wall: datetime = datetime(2026, 1, 1, tzinfo=UTC)
    followers: list[Follower] = field(default_factory=list)
    _moved: threading.Condition = field(default_factory=threading.Condition, repr=False)

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
        self._set(self.time_s + seconds)

    def sleep(self, seconds: float) -> None:
        """Wait until the clock is moved, or for a moment of real time."""
        end_s = self.time_s + seconds
        with self._moved:
            self._moved.wait_for(lambda: self.time_s >= end_s, REAL_NAP_S)

    def advance(self, seconds: float) -> None:
        """Let `seconds` pass from one thing that is due to the next; the followers have done each on return.

        Raises TimeoutError when a follower hangs.
        """
        end_s = self.time_s + seconds
        self._settle()
        while (next_s := min((one.due_s() for one in self.followers), default=math.inf)) <= end_s:
            self._set(max(next_s, self.time_s))
            self._settle()
        self._set(end_s)

    def _set(self, time_s: float) -> None:
        with self._moved:
            self.time_s = time_s
            self._moved.notify_all()

    def _settle(self) -> None:
        limit_s = time.monotonic() + SETTLE_LIMIT_S
        while not all(one.caught_up() for one in self.followers):
            if time.monotonic() > limit_s:
                raise TimeoutError(f"what follows the clock has not caught up within {SETTLE_LIMIT_S:g} s")
            time.sleep(SETTLE_POLL_S)
