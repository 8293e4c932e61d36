"""Clocks: the real one goes on by itself, a stepped one only when it is moved, with all that follows it."""

from __future__ import annotations

import threading
from datetime import UTC, datetime

import pytest

from capture.clock import SteppedClock, SystemClock


class Follower:
    """Does one thing at each of some times, and takes a moment for it."""

    def __init__(self, clock: SteppedClock, due_s: list[float], *, hangs: bool = False) -> None:
        self.clock, self.left_s, self.done_s, self.hangs = clock, list(due_s), list[float](), hangs
        self.asked = 0

    def due_s(self) -> float:
        return self.left_s[0] if self.left_s else float("inf")

    def caught_up(self) -> bool:
        self.asked += 1
        while self.left_s and self.left_s[0] <= self.clock.now_s():
            self.done_s.append(self.clock.now_s())
            self.left_s.pop(0)
        return not self.hangs and self.asked % 3 == 0  # not at the first look


def test_the_real_clock_goes_on_and_knows_the_time() -> None:
    clock = SystemClock()
    first = clock.now_s()
    clock.sleep(0.02)
    assert clock.now_s() - first >= 0.019
    assert abs((datetime.now(UTC) - clock.utc()).total_seconds()) < 5


def test_a_stepped_clock_stands_until_it_is_moved() -> None:
    clock = SteppedClock()
    begins_s, utc = clock.now_s(), clock.utc()
    assert clock.now_s() == begins_s
    clock.step(2.5)
    assert clock.now_s() == begins_s + 2.5
    assert clock.utc() == utc  # of the wall it knows what it was told


def test_it_never_goes_back() -> None:
    with pytest.raises(ValueError, match="seconds"):
        SteppedClock().step(-0.1)


def test_who_sleeps_by_it_wakes_when_it_has_moved_far_enough() -> None:
    clock, woke = SteppedClock(), threading.Event()

    def sleeper() -> None:
        end_s = clock.now_s() + 5.0
        while clock.now_s() < end_s:  # a nap of real time may end it early
            clock.sleep(end_s - clock.now_s())
        woke.set()

    thread = threading.Thread(target=sleeper)
    thread.start()
    assert not woke.wait(0.05)
    clock.step(4.0)
    assert not woke.wait(0.05)
    clock.step(1.0)
    assert woke.wait(2.0)
    thread.join()


def test_followers_do_each_thing_at_its_time() -> None:
    """Due at 1, 2 and 7 s: by 3 s two are done, each at its own time and not at the end."""
    clock = SteppedClock()
    start_s = clock.now_s()
    follower = Follower(clock, [start_s + 1, start_s + 2, start_s + 7])
    clock.followers.append(follower)
    clock.advance(3.0)
    assert follower.done_s == [start_s + 1, start_s + 2]
    assert clock.now_s() == start_s + 3


def test_a_follower_that_hangs_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("capture.clock.SETTLE_LIMIT_S", 0.05)
    clock = SteppedClock()
    clock.followers.append(Follower(clock, [], hangs=True))
    with pytest.raises(TimeoutError, match=r"0\.05 s"):
        clock.advance(1.0)
