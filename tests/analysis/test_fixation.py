from __future__ import annotations

import pytest

from analysis.fixation import absolute_reduction, fixation_index, suppression_percent


def test_worked_example() -> None:
    """D = -8.0, F = -2.4 deg/s: index 0.30, suppression 70 %, reduction 5.6 deg/s."""
    index = fixation_index(-8.0, -2.4)
    assert index is not None
    assert index.value == pytest.approx(0.30)
    assert suppression_percent(index.value) == pytest.approx(70.0)
    assert absolute_reduction(-8.0, -2.4).value == pytest.approx(5.6)


def test_error_by_hand() -> None:
    """F/D = 0.5 with SE 0.3 of F = 5 and 0.4 of D = 10: sqrt(0.3^2 + (0.5 x 0.4)^2) / 10 = 0.03606."""
    index = fixation_index(10.0, 5.0, 0.4, 0.3)
    assert index is not None
    assert index.standard_error == pytest.approx(0.03606, abs=1e-5)
    assert absolute_reduction(10.0, 5.0, 0.4, 0.3).standard_error == pytest.approx(0.5)


def test_no_index_below_4_deg_per_s() -> None:
    assert fixation_index(-3.99, -1.0) is None
    assert fixation_index(4.0, 1.0) is not None


def test_enhancement_is_above_1_and_a_negative_reduction() -> None:
    index = fixation_index(5.0, 6.0)
    assert index is not None
    assert index.value == pytest.approx(1.2)
    assert absolute_reduction(5.0, 6.0).value == pytest.approx(-1.0)


def test_direction_does_not_matter() -> None:
    assert fixation_index(-8.0, 2.4) == fixation_index(8.0, 2.4)
