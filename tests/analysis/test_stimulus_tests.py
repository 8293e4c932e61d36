"""Timing and targets of the tests that need a stimulus."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from analysis.battery import BATTERY
from analysis.battery.stimulus_tests import (
    SACCADES,
    STIMULUS_TESTS,
    random_steps,
    sine_targets,
)


def test_what_has_no_measure_is_not_in_the_battery() -> None:
    assert not {t.key for t in STIMULUS_TESTS} & {p.key for p in BATTERY}


@pytest.mark.parametrize("test", STIMULUS_TESTS, ids=lambda t: t.key)
def test_every_step_says_how_it_is_done(test) -> None:
    assert test.purpose
    assert test.preparation
    assert test.stop_signs
    for step in test.steps:
        assert 0 < step.shortest_s <= step.longest_s
        assert step.instruction
        assert step.action
        assert step.stimulus
        assert all(t.end_s > t.start_s >= 0 for t in step.targets)
        assert all(t.end_s <= step.longest_s + 1e-9 for t in step.targets)


@pytest.mark.parametrize(("step", "least", "reach"), [(0, 20, 15.0), (1, 8, 10.0)])
def test_saccade_targets_are_random_in_time_and_size_and_stay_in_reach(
    step: int, least: int, reach: float
) -> None:
    targets = SACCADES.steps[step].targets
    places = np.array([t[2 + step] for t in targets])
    jumps, holds = np.diff(places), np.array([t.end_s - t.start_s for t in targets])
    assert min(np.count_nonzero(jumps > 0), np.count_nonzero(jumps < 0)) >= least
    assert np.abs(places).max() <= reach
    assert holds.min() >= 1.0
    assert holds.max() <= 2.5
    assert holds.std() > 0.3
    assert len(set(np.abs(jumps).round(3))) >= 3
    assert all(a.end_s == b.start_s for a, b in itertools.pairwise(targets))


def test_the_same_seed_gives_the_same_targets() -> None:
    assert random_steps(True, (5.0,), 4, 3) == random_steps(True, (5.0,), 4, 3)
    assert random_steps(True, (5.0,), 4, 3) != random_steps(True, (5.0,), 4, 4)


def test_a_jump_that_cannot_stay_in_reach_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="sizes_deg"):
        random_steps(True, (5.0, 25.0), 4, 3, reach_deg=10.0)


def test_a_sine_in_angle() -> None:
    """15 deg at 0.4 Hz: a quarter of a cycle is 0.625 s; peak velocity 2 pi x 0.4 x 15 = 37.7 deg/s."""
    targets = sine_targets(15.0, 0.4, 5, 200.0)
    place = {round(t.start_s, 6): t.horizontal_deg for t in targets}
    assert (place[0.0], place[0.625], place[1.25]) == pytest.approx((0.0, 15.0, 0.0), abs=1e-9)
    fastest = max(abs(b.horizontal_deg - a.horizontal_deg) * 200 for a, b in itertools.pairwise(targets))
    assert fastest == pytest.approx(37.70, abs=0.05)
    assert targets[-1].end_s == pytest.approx(12.5)
