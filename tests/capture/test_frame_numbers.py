from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from capture.frame_numbers import FrameNumbers
from capture.samples import NAN

EVEN_S = 0.004


def number_all(times_s: list[float], device_s: list[float] | None = None) -> list[int]:
    numbers = FrameNumbers(NAN)
    device_s = device_s or [NAN] * len(times_s)
    return [numbers.next(host, camera) for host, camera in zip(times_s, device_s, strict=True)]


def test_an_even_stream_counts_up() -> None:
    assert number_all([k * EVEN_S for k in range(100)]) == list(range(100))


def test_frames_that_a_busy_host_took_late_are_not_lost() -> None:
    """A wait of 50 ms, then the frames that had piled up; nothing was lost, by either clock."""
    taken = [k * EVEN_S for k in range(100)]
    arrived = [max(t, 0.35) if 0.3 < t < 0.35 else t for t in taken]
    assert number_all(arrived) == list(range(100))
    assert number_all(arrived, taken) == list(range(100))


def test_the_cameras_clock_shows_a_single_lost_frame() -> None:
    taken = [k * EVEN_S for k in range(100) if k not in (40, 60, 61)]
    random = np.random.default_rng(1)
    arrived = [t + 0.001 + random.exponential(0.002) for t in taken]
    assert number_all(arrived, taken) == [k for k in range(100) if k not in (40, 60, 61)]


@pytest.mark.parametrize("drift", [-300e-6, 300e-6])
def test_the_cameras_clock_may_drift(drift: float) -> None:
    kept = [k for k in range(1000) if k % 100 != 50]
    assert number_all([k * EVEN_S for k in kept], [k * EVEN_S * (1 + drift) for k in kept]) == kept


@pytest.mark.parametrize(
    "false_s", [lambda k: 5.0, lambda k: k * 0.04, lambda k: -k * EVEN_S, lambda k: float("nan")]
)
def test_false_times_of_a_camera_are_not_believed(false_s: Callable[[int], float]) -> None:
    """Standing still, ten times too fast, backwards, none: the host's clock counts."""
    assert number_all([k * EVEN_S for k in range(100)], [false_s(k) for k in range(100)]) == list(range(100))


@pytest.mark.parametrize("away_s", [0.5, 3.0, 10.0])
def test_frames_lost_while_away_follow_from_the_time(away_s: float) -> None:
    numbers = FrameNumbers()
    before = [numbers.next(k * EVEN_S) for k in range(50)]
    after = numbers.next(before[-1] * EVEN_S + away_s, away=True)
    assert after - before[-1] == round(away_s / EVEN_S)
    assert numbers.next(before[-1] * EVEN_S + away_s + EVEN_S) == after + 1


def test_a_cameras_clock_that_began_anew_while_away_is_not_asked() -> None:
    numbers = FrameNumbers()
    last = [numbers.next(k * EVEN_S, 50 + k * EVEN_S) for k in range(50)][-1]
    assert numbers.next(last * EVEN_S + 1.0, 9000.0, away=True) - last == 250


def test_the_rate_asked_for_counts_until_one_is_known() -> None:
    numbers = FrameNumbers(100.0)
    numbers.next(0.0)
    assert numbers.next(1.0, away=True) == 100
    assert FrameNumbers().next(1.0, away=True) == 0


def test_a_long_silence_is_a_loss_unless_more_is_waiting_behind() -> None:
    for more_waiting, expected in ((False, 500), (True, 1)):
        numbers = FrameNumbers()
        last = [numbers.next(k * EVEN_S) for k in range(50)][-1]
        assert numbers.next(last * EVEN_S + 2.0, more_waiting=more_waiting) - last == expected


def test_the_senders_count_is_proof() -> None:
    numbers = FrameNumbers()
    counts = [7, 8, 9, 12, 13, 40, 3, 4]  # at the end the sender began anew
    assert [numbers.next(k * 0.01, sequence=count) for k, count in enumerate(counts)] == [
        0, 1, 2, 5, 6, 33, 34, 35,
    ]  # fmt: skip


def test_a_sender_that_began_anew_after_a_break_is_counted_by_time() -> None:
    numbers = FrameNumbers()
    last = [numbers.next(k * EVEN_S, sequence=1000 + k) for k in range(50)][-1]
    assert numbers.next(last * EVEN_S + 1.0, sequence=3, away=True) - last == 250


def test_a_camera_that_becomes_slower_loses_nothing_for_long() -> None:
    """From 60 to 30 a second, as automatic exposure does when it gets dark: after 7 frames that is known."""
    taken = [k / 60 for k in range(90)] + [1.5 + k / 30 for k in range(90)]
    steps = np.diff(number_all(taken, taken))
    assert steps[:89].tolist() == [1] * 89
    assert steps.sum() - len(steps) == 7
    assert steps[-80:].tolist() == [1] * 80


def test_spoiled_pictures_are_counted() -> None:
    numbers = FrameNumbers()
    assert [numbers.next(0.0), numbers.next(0.01, spoiled=2), numbers.next(0.02)] == [0, 3, 4]


def test_frames_that_arrive_in_pairs() -> None:
    arrived = [2 * EVEN_S * (k // 2) for k in range(200)]
    assert number_all(arrived) == list(range(200))
