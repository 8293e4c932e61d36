"""Jumps of a known size where samples of torsion are missing, or too few follow for a line of their own."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.step_fits import plateau
from analysis.steps import measure_steps

Floats = NDArray[np.float64]
BEFORE, AFTER = 39, 43  # samples at the ends of the jump, 100 a second
TIME = np.arange(90) / 100


def turned(step_deg: float = 3.0) -> Floats:
    """(n, 3) an upper pole that drifts at 2 deg/s and jumps in between; across and up the eye rests."""
    done = np.clip((np.arange(TIME.size) - BEFORE) / (AFTER - BEFORE), 0, 1)
    return np.column_stack((np.zeros((TIME.size, 2)), 2.0 * TIME + step_deg * done))


def measured(place: Floats, last: int) -> np.void:
    rows = measure_steps(
        TIME, place, place, np.full(place.shape, 0.05), np.zeros(3),
        np.array([[BEFORE, AFTER, 10, last]]), 0.01, 0.25,
    )  # fmt: skip
    return rows[0]


@pytest.mark.parametrize(
    ("last", "missing"),
    [
        (75, slice(0, 90, 3)),  # every third sample, lines on both sides
        (AFTER + 3, slice(AFTER + 1, AFTER + 2)),  # 30 ms: the line before goes on beside them
    ],
)
def test_missing_torsion_does_not_alter_the_step(last: int, missing: slice) -> None:
    """2 deg/s before and after, 3 deg apart."""
    place = turned()
    place[missing, 2] = np.nan
    found = measured(place, last)
    assert found["step_deg"] == pytest.approx([0.0, 0.0, 3.0], abs=0.02)
    assert found["slow_dps"] == pytest.approx([0.0, 0.0, 2.0], abs=0.1)


def test_an_axis_that_is_not_seen_after_the_jump_has_no_step() -> None:
    place = turned()
    place[AFTER:, 2] = np.nan
    found = measured(place, AFTER + 3)
    assert found["measured"].tolist() == [1, 1, 0]
    assert found["step_deg"].tolist() == [0.0, 0.0, 0.0]


def test_a_few_samples_that_run_on_beside_the_line_are_its_plateau() -> None:
    """The jump ends with sample 43; what is missing of torsion does not end the plateau before."""
    place = turned()
    place[AFTER + 1, 2] = np.nan
    assert plateau(TIME, place, np.full(3, 0.05), 10, BEFORE, AFTER + 3) == AFTER


def test_a_jump_elsewhere_is_no_step_at_the_place_proposed() -> None:
    """3 deg at sample 20, long before: about the place proposed the eye goes no half of a step."""
    place = turned(0.0)
    place[20:, 2] += 3.0
    assert measured(place, 75)["strength"] == 0.0


def test_a_frame_missing_within_the_jump_is_told() -> None:
    """Of four even parts of the jump the sample in the middle is gone: two parts, a half, go unseen."""
    time, place = np.delete(TIME, BEFORE + 2), np.delete(turned(), BEFORE + 2, axis=0)
    (found,) = measure_steps(
        time, place, place, np.full(place.shape, 0.05), np.zeros(3),
        np.array([[BEFORE, AFTER - 1, 10, 74]]), 0.01, 0.25,
    )  # fmt: skip
    assert found["gap_share"] == pytest.approx(0.5, abs=0.02)
