"""Whether a movement is one that only a saccade makes, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.steps import STEP_DTYPE, as_fast_as_saccades


@pytest.mark.parametrize(
    ("size_deg", "least_per_s"),
    [
        ((5.0, 0.0, 0.0), 1 / 0.032),  # 21 + 11 ms
        ((0.0, -20.0, 0.0), 1 / 0.065),  # 21 + 44 ms
        ((12.0, -16.0, 0.0), 1 / 0.065),  # 20 deg as well
    ],
)
def test_as_fast_as_a_saccade_of_its_size(size_deg: tuple[float, float, float], least_per_s: float) -> None:
    """Mean speed of a saccade of A deg: A / (21 ms + 2.2 ms a degree) (clinical 1.8, 9)."""
    steps = np.zeros(3, STEP_DTYPE)
    steps["step_deg"] = size_deg
    steps["measured_s"] = 0.05, 0.05, np.nan  # the last: frames too far apart for it
    steps["fastest"] = 1.02 * least_per_s, 0.98 * least_per_s, 0.0
    assert as_fast_as_saccades(steps).tolist() == [True, False, True]
