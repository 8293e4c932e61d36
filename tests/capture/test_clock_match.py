from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from capture.clock_match import jitter_s, match_clocks, pair_cameras

Times = NDArray[np.float64]
RATE_HZ, COUNT = 250.0, 15_000


def stamps(
    drift: float = 40e-6, wait_s: float = 0.002, camera_noise_s: float = 20e-6, seed: int = 0
) -> tuple[Times, Times, NDArray[np.int64], Times]:
    """Host's and camera's stamps, numbers and true times of a minute at 250/s; 1 % of the arrivals late."""
    random = np.random.default_rng(seed)
    number = np.arange(COUNT)
    true_s = 100.0 + number / RATE_HZ
    host_s = true_s + 0.003 + random.exponential(wait_s, COUNT)
    host_s += np.where(random.random(COUNT) < 0.01, random.uniform(0, 0.03, COUNT), 0)
    camera_s = (true_s - 40.0) / (1 + drift) + random.normal(0, camera_noise_s, COUNT)
    return np.maximum.accumulate(host_s), camera_s, number, true_s


@pytest.mark.parametrize("drift", [-200e-6, 0.0, 50e-6, 1000e-6])
def test_drift_and_offset_are_found_and_the_steadier_clock_is_used(drift: float) -> None:
    host_s, camera_s, number, true_s = stamps(drift)
    match = match_clocks(host_s, camera_s, number)
    assert match.used == "camera"
    assert match.drift == pytest.approx(drift, abs=5e-6)
    error_s = match.time_s(host_s, camera_s) - true_s
    assert np.ptp(error_s) < 0.5e-3  # but for a delay that nobody can see from here
    assert 0.003 < error_s.mean() < 0.0035  # the least delay is 3 ms


def test_the_hosts_clock_is_used_where_it_is_steadier() -> None:
    host_s, camera_s, number, _ = stamps(wait_s=20e-6, camera_noise_s=0.4e-3)
    match = match_clocks(host_s, camera_s, number)
    assert match.used == "host"
    assert "steadier" in match.reason
    assert np.array_equal(match.time_s(host_s, camera_s), host_s)


def test_jitter_by_hand() -> None:
    """Even times: none. Independent normal noise of 1 ms: 1 ms. Lost frames make none."""
    number = np.delete(np.arange(3000), slice(1000, 1010))
    even_s = number / 100
    assert jitter_s(even_s, number) == pytest.approx(0, abs=1e-12)
    noisy_s = even_s + np.random.default_rng(0).normal(0, 1e-3, len(number))
    assert jitter_s(noisy_s, number) == pytest.approx(1e-3, rel=0.05)
    assert np.isnan(jitter_s(even_s[:2], number[:2]))


@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (lambda s: np.full(len(s), np.nan), "no times"),
        (lambda s: np.full(len(s), 7.0), "stand still"),
        (lambda s: s[::-1].copy(), "go back"),
        (lambda s: s * 10, "keep step"),
        (lambda s: s * 1.02, "keep step"),
        (lambda s: np.arange(len(s)) / 25.0, "keep step"),
        (lambda s: s + 0.5 * (s > s[9000]), "keep step"),
        (lambda s: s + 0.01 * (s > s[9000]), "keep step"),
    ],
)
def test_false_camera_times_are_not_used(spoil: Callable[[Times], Times], reason: str) -> None:
    """None, standing, backwards, too fast by far and by 2 %, made up from a rate, set by 0.5 s or 10 ms."""
    host_s, camera_s, number, _ = stamps()
    match = match_clocks(host_s, spoil(camera_s), number)
    assert match.used == "host"
    assert reason in match.reason


def test_times_made_up_from_a_count_are_found_out_by_lost_frames() -> None:
    """A stream whose times are number / rate though frames were lost: steadier than any clock, and false."""
    host_s, _, number, _ = stamps()
    kept = np.delete(np.arange(COUNT), slice(7000, 7250))
    match = match_clocks(host_s[kept], np.arange(len(kept)) / RATE_HZ, number[kept])
    assert match.used == "host"
    assert "keep step" in match.reason


def test_a_few_frames_are_not_judged() -> None:
    host_s, camera_s, number, _ = stamps()
    assert match_clocks(host_s[:20], camera_s[:20], number[:20]).used == "host"


def test_cameras_with_a_common_trigger() -> None:
    right_s = np.arange(1000) / 250
    pair = pair_cameras(right_s, right_s + 0.2e-3)
    assert pair.locked
    assert pair.offset_s == pytest.approx(0.2e-3)
    assert pair.ruled_out == ()


def test_a_common_trigger_with_a_fixed_offset() -> None:
    right_s = np.arange(1000) / 250
    pair = pair_cameras(right_s, right_s - 1.5e-3)
    assert pair.locked
    assert pair.offset_s == pytest.approx(-1.5e-3)
    assert "interpolated to one clock" in pair.ruled_out[0]


def test_free_running_cameras_rule_out_pairing_by_number() -> None:
    """100 ppm apart for 60 s: the offset wanders by 6 ms, through every phase of the 4 ms between frames."""
    right_s = np.arange(15_000) / 250
    pair = pair_cameras(right_s, right_s * (1 + 100e-6) + 0.001)
    assert not pair.locked
    assert pair.spread_s > 0.003
    assert "Disconjugacy and skew" in pair.ruled_out[0]
    assert "never from frames paired by their number" in pair.ruled_out[0]


def test_cameras_of_different_rates() -> None:
    assert not pair_cameras(np.arange(1000) / 100, np.arange(600) / 60).locked


def test_uncertain_times_rule_out_disconjugacy_of_saccades() -> None:
    right_s = np.arange(1000) / 60
    noise_s = np.random.default_rng(1).normal(0, 2e-3, 1000)
    pair = pair_cameras(right_s, right_s + noise_s, jitter_s=2e-3)
    assert "during saccades is not assessed" in pair.ruled_out[-1]


def test_one_frame_is_no_pair() -> None:
    with pytest.raises(ValueError, match="two frames"):
        pair_cameras(np.arange(5.0), np.arange(1.0))


def test_frames_that_arrive_two_at_a_time_are_still_paired() -> None:
    right_s = np.repeat(np.arange(200) * 0.02, 2)  # more than half of all intervals are 0
    assert pair_cameras(right_s, right_s).offset_s == 0.0
    with pytest.raises(ValueError, match="different times"):
        pair_cameras(np.zeros(5), right_s)
