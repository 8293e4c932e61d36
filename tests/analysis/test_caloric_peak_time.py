"""When a response was at its fastest: courses whose peak is known, alertness that comes and goes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.caloric_peak_time import peak_time
from analysis.estimate import Estimate

Floats = NDArray[np.float64]
TIME_S = np.arange(15.0, 150.0, 0.6)
OWN_DPS = np.full(TIME_S.size, 0.3)


def pointed(time_s: Floats) -> Floats:
    """Even from 15 s to 60 s, then a time constant of 40 s."""
    return np.where(time_s < 60.0, (time_s - 15.0) / 45.0, np.exp(-(time_s - 60.0) / 40.0))


def bell(time_s: Floats) -> Floats:
    """Peak at 64 s; 20 s wide before, 30 s after: no course that is tried."""
    return np.exp(-(((time_s - 64.0) / np.where(time_s < 64.0, 20.0, 30.0)) ** 2) / 2)


def rounded(time_s: Floats) -> Floats:
    """x^2 exp(2 (1 - x)) with its peak at 58 s."""
    share = time_s / 58.0
    return share**2 * np.exp(2 * (1 - share))


PEAKS_S: dict[Callable[[Floats], Floats], float] = {pointed: 60.0, bell: 64.0, rounded: 58.0}


def measured(
    course: Callable[[Floats], Floats], seed: int, alert: float = 0.0, seen: NDArray[np.bool_] | None = None
) -> Estimate | str:
    """25 deg/s at the peak; beats scatter by 5 %, alertness by a share `alert` that keeps for 8 s."""
    rng = np.random.default_rng(seed)
    steps = rng.standard_normal(TIME_S.size)
    alertness, keeps = np.empty(TIME_S.size), np.exp(-0.6 / 8.0)
    alertness[0] = steps[0]
    for k in range(1, TIME_S.size):
        alertness[k] = keeps * alertness[k - 1] + np.sqrt(1 - keeps**2) * steps[k]
    varied = (1 + 0.05 * rng.standard_normal(TIME_S.size)) * np.exp(alert * alertness)
    speed = 25.0 * course(TIME_S) * varied + rng.normal(0, 0.3, TIME_S.size)
    use = np.ones(TIME_S.size, dtype=bool) if seen is None else seen
    return peak_time(TIME_S[use], speed[use], OWN_DPS[use], 60.0)


@pytest.mark.parametrize("course", PEAKS_S)
def test_the_peak_of_an_alert_patient(course: Callable[[Floats], Floats]) -> None:
    """The bar is 3 s; an interval of +-10 s would tell no more than that it lies at 50 to 90 s as usual."""
    found = measured(course, 5)
    assert isinstance(found, Estimate)
    assert found.value == pytest.approx(PEAKS_S[course], abs=3.0)
    assert found.interval[0] < PEAKS_S[course] < found.interval[1]
    assert found.interval[1] - found.interval[0] < 20.0


def test_alertness_is_doubt() -> None:
    """Alertness varies by 6 % and keeps for 8 s; three courses in turn, 20 responses of each.

    90 % of 60 are 54, of which chance may take twice sqrt(60 x 0.9 x 0.1) = 2.3.
    """
    held = 0
    for seed in range(60):
        course = tuple(PEAKS_S)[seed % 3]
        found = measured(course, 100 + seed, 0.06)
        held += isinstance(found, Estimate) and found.interval[0] < PEAKS_S[course] < found.interval[1]
    assert held >= 49


def test_it_widens_with_alertness() -> None:
    quiet, drowsy = ([_width(measured(pointed, seed, alert)) for seed in range(12)] for alert in (0.0, 0.1))
    assert np.median(drowsy) > 1.5 * np.median(quiet)


def _width(found: Estimate | str) -> float:
    assert isinstance(found, Estimate)
    return found.interval[1] - found.interval[0]


def test_a_gap_of_light_behind_the_peak() -> None:
    """15 s without beats from 72 s on, as the light takes them."""
    found = measured(pointed, 3, seen=(TIME_S < 72.0) | (TIME_S > 87.0))
    assert isinstance(found, Estimate)
    assert found.value == pytest.approx(60.0, abs=3.0)


def test_what_still_rises_has_no_peak() -> None:
    assert "no peak" in str(measured(lambda t: t / 60.0, 1, seen=TIME_S < 70.0))


def test_what_stays_has_no_certain_peak() -> None:
    """25 deg/s from 15 to 150 s: all between is possible, so +-15 s at the least."""
    assert _width(measured(np.ones_like, 1)) > 30.0


def test_few_beats_tell_nothing() -> None:
    few = np.arange(TIME_S.size) % 16 == 0
    assert "too few" in str(measured(pointed, 1, seen=few))
    assert "too few" in str(measured(lambda t: -pointed(t), 1))
