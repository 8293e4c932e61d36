from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from analysis.slope import slope_and_error


def test_worked_example() -> None:
    """Drift from +2.0 to -1.2 deg in 0.40 s: -8.0 deg/s (clinical 1.2, check value NYS-01)."""
    slope, error = slope_and_error(np.arange(5) / 10, np.array([2.0, 1.2, 0.4, -0.4, -1.2]), 0.0, 0.0)
    assert slope == pytest.approx(-8.0)
    assert error < 1e-3


def test_uneven_times_count_as_they_are() -> None:
    time = np.array([0.0, 0.01, 0.05, 0.06, 0.2, 0.21])
    assert slope_and_error(time, 3 - 12 * time, 0.0, 0.0)[0] == pytest.approx(-12.0)


def test_standard_error_of_the_usual_noise() -> None:
    """0.1 deg, 0.3 s, 18 samples: 0.1 / (0.3 sqrt(18 / 12)) = 0.272 deg/s (check value NYS-14)."""
    time = np.arange(18) * 0.3 / 18
    assert slope_and_error(time, 5 * time, 0.1, 0.0)[1] == pytest.approx(0.2722, abs=0.005)


def test_noise_that_is_not_white_widens_the_error() -> None:
    """sqrt((1 + 0.6) / (1 - 0.6)) = 2."""
    time = np.arange(18) * 0.3 / 18
    white = slope_and_error(time, 5 * time, 0.1, 0.0)[1]
    assert slope_and_error(time, 5 * time, 0.1, 0.6)[1] == pytest.approx(2 * white)


def test_samples_of_a_quick_phase_do_not_pull() -> None:
    """Two of fourteen samples 3 deg off: least squares would be off by more than 4 deg/s."""
    time = np.arange(14) / 30
    position = -10 * time + np.random.default_rng(1).normal(0, 0.05, 14)
    position[-2:] += 3.0
    assert np.polyfit(time, position, 1)[0] > -6
    assert slope_and_error(time, position, 0.05, 0.0)[0] == pytest.approx(-10, abs=0.5)


def test_missing_samples_are_left_out() -> None:
    time = np.arange(10) / 100
    position = 4 * time
    position[[2, 5]] = np.nan
    assert slope_and_error(time, position, 0.0, 0.0)[0] == pytest.approx(4.0)


@pytest.mark.parametrize("time", [[], [0.0], [0.0, 0.1], [0.2, 0.2, 0.2]])
def test_too_little_is_missing(time: list[float]) -> None:
    slope, error = slope_and_error(np.array(time), np.zeros(len(time)), 0.0, 0.0)
    assert np.isnan(slope)
    assert np.isnan(error)


def test_a_still_eye_has_slope_zero() -> None:
    assert slope_and_error(np.arange(20) / 100, np.full(20, 3.0), 0.02, 0.0)[0] == pytest.approx(0.0)


@pytest.mark.parametrize(("samples", "correlation"), [(10, 0.0), (40, 0.0), (100, 0.6)])
def test_95_percent_intervals_hold_the_truth(samples: int, correlation: float) -> None:
    """2000 slow phases; the usual noise is known, as it is of a trace with many of them."""
    rng = np.random.default_rng(samples)
    time = np.arange(samples) / 250
    white = rng.normal(size=(2000, samples + 50))
    noise = 0.1 * lfilter([np.sqrt(1 - correlation**2)], [1, -correlation], white, axis=1)[:, 50:]
    fits = [slope_and_error(time, 20 * time + row, 0.1, correlation) for row in noise]
    inside = np.mean([abs(slope - 20) <= 1.96 * error for slope, error in fits])
    assert 0.92 <= inside <= 0.985
