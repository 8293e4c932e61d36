"""Where a blurred edge lies in one ray, and what the iris beside it does to that."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from capture.pupil_edge import step_filter
from capture.pupil_outline import weigh
from capture.pupil_rays import wander_of

HALF = 4
PX = np.arange(-HALF, HALF + 1)


def shift_of(profile: NDArray[np.float64], wander: float) -> float:
    """Shift, px, of an edge with a blur of 1 px over a dark level of 0; hardly any noise."""
    filters = np.empty((2, 2 * HALF + 1))
    step_filter(1.0, 0.01, wander, HALF, filters)
    height, moved = filters @ profile
    return moved / height


@pytest.mark.parametrize("slope", [-0.06, 0.06])
def test_an_iris_that_grows_darker_or_brighter_outward_moves_the_edge_less_where_that_is_known(slope) -> None:
    """By 6 % of its height a pixel, whose square is known to half; edge at 0: a fifth less at least."""
    profile = ndtr(PX) * (1.0 + slope * np.maximum(PX, 0))
    assert abs(shift_of(profile, 0.0018)) < 0.8 * abs(shift_of(profile, -1.0))


@pytest.mark.parametrize("wander", [-1.0, 0.0, 0.002])
def test_an_even_edge_is_found_where_it_is(wander) -> None:
    assert shift_of(ndtr(PX - 0.05), wander) == pytest.approx(0.05, abs=0.002)


def test_how_far_the_iris_wanders_by_hand() -> None:
    """Far samples 3 of 100 above and below the edge's height: SD 0.03 / 0.8, over 3 blurs (0.0125)^2 a blur.

    Of noise 0.02 at most 0.8 (0.02)^2 of the variance is left. With noise above 0.05 it is not known.
    """
    levels, height, usable = np.full(40, 20.0), np.full(40, 100.0), np.ones(40, np.bool_)
    profile = np.zeros((40, 2 * HALF + 1))
    profile[:, -1] = np.where(np.arange(40) % 2, 123.0, 117.0)
    profile[5, -1], usable[5] = 250.0, False
    assert wander_of(profile, levels, height, usable, 100.0, 0.0, 3.0) == pytest.approx(0.0125**2)
    noisy = (0.0375**2 - 0.8 * 0.02**2) / 9
    assert wander_of(profile, levels, height, usable, 100.0, 0.02, 3.0) == pytest.approx(noisy)
    assert wander_of(profile, levels, height, usable, 100.0, 0.05, 3.0) == -1.0
    profile[:, -1] = 180.0
    assert wander_of(profile, levels, height, usable, 100.0, 0.0, 3.0) == 0.002  # no iris does so


def test_a_ray_in_a_shadow_counts_less() -> None:
    """By hand, without noise: half the usual height, twice the variance; above it no more than others."""
    weight, height, usable = np.empty(3), np.array([50.0, 100, 150]), np.ones(3, np.bool_)
    weigh(height, usable, np.ones(3), 100.0, 0.01, 0.0, weight)
    assert weight == pytest.approx([0.5, 1.0, 1.0])
    weigh(height, usable, np.ones(3), 0.0, 0.01, 0.0, weight)
    assert weight == pytest.approx([1.0, 1.0, 1.0])
