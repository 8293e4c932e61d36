"""Velocity in a span: of its beats, of those that lie mostly inside, of beats and drift, of drift alone."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.beats import find_beats
from analysis.spans import velocity_in
from analysis.trace import trace_from_arrays

TIME = np.arange(0.0, 30.0, 0.01)


def drifting(dps: float, period_s: float = 0.5) -> np.ndarray:
    """(n, 3) a sawtooth across that drifts at `dps`, with quick phases of 50 ms."""
    within = np.mod(TIME, period_s)
    back = np.clip((within - (period_s - 0.05)) / 0.05, 0, 1)
    across = dps * (np.minimum(within, period_s - 0.05) - (period_s - 0.05) * (1 - np.cos(np.pi * back)) / 2)
    return np.column_stack((across, np.zeros((TIME.size, 2)))) + np.random.default_rng(3).normal(
        0, 0.02, (TIME.size, 3)
    )


@pytest.mark.parametrize(
    ("start_s", "end_s"),
    [
        (5.0, 15.0),  # twenty beats
        (5.2, 6.6),  # three lie mostly inside, two wholly
    ],
)
def test_of_the_beats_inside(start_s: float, end_s: float) -> None:
    trace = trace_from_arrays("right", TIME, drifting(12.0))
    found = velocity_in(trace, find_beats(trace), 0, start_s, end_s)
    assert found is not None
    assert found.value == pytest.approx(12.0, abs=0.3)


def test_of_the_drift_where_there_are_too_few_beats() -> None:
    """0.5 deg/s across for 30 s and never back."""
    place = np.column_stack((0.5 * TIME, np.zeros((TIME.size, 2))))
    found = velocity_in(trace_from_arrays("right", TIME, place), (), 0, 5.0, 15.0)
    assert found is not None
    assert found.value == pytest.approx(0.5, abs=0.001)


def test_of_an_eye_that_was_not_seen_nothing() -> None:
    place = np.full((TIME.size, 3), np.nan)
    assert velocity_in(trace_from_arrays("right", TIME, place), (), 0, 5.0, 15.0) is None


@pytest.mark.parametrize(("beats_end_s", "velocity_dps"), [(8.0, 0.3), (11.0, 12.0)])
def test_of_the_time_where_beats_fill_a_part_of_it(beats_end_s: float, velocity_dps: float) -> None:
    """From 5 to 15 s: beats at 12 deg/s for 3 s, then a drift of 0.3 deg/s for 7 s; or 6 s and 4 s."""
    place = drifting(12.0)
    after = beats_end_s <= TIME
    place[after, 0] = 0.3 * (TIME[after] - beats_end_s) + place[after, 2]  # the noise of another axis
    trace = trace_from_arrays("right", TIME, place)
    found = velocity_in(trace, find_beats(trace), 0, 5.0, 15.0)
    assert found is not None
    assert found.value == pytest.approx(velocity_dps, abs=0.3)
    assert found.interval[0] < velocity_dps < found.interval[1]
