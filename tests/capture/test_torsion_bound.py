"""The bench's bound of torsion's random error, against a pattern whose bound is found by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.bench.torsion_bound import bound_deg, slopes_of

SPOKES, INNER_PX, OUTER_PX = 12, 30.0, 60.0


def spokes(turn_deg: float) -> np.ndarray:
    """A wheel of SPOKES waves of amplitude 1 round the middle of a picture, turned from x toward y."""
    y, x = np.mgrid[-64:65, -64:65].astype(float)
    return np.cos(SPOKES * (np.arctan2(y, x) - math.radians(turn_deg)))


def ring() -> np.ndarray:
    y, x = np.mgrid[-64:65, -64:65].astype(float)
    radius = np.hypot(x, y)
    return (radius > INNER_PX) & (radius < OUTER_PX)


def test_the_bound_of_a_wheel_of_spokes() -> None:
    """dI/dturn is SPOKES sin(...), of mean square SPOKES^2 / 2, over the ring's area."""
    area = math.pi * (OUTER_PX**2 - INNER_PX**2)
    by_hand = math.degrees(0.5 / math.sqrt(SPOKES**2 / 2 * area))
    slopes = slopes_of(spokes(0.0), ring())
    assert bound_deg(slopes, slopes, 0.25) == pytest.approx(by_hand, rel=0.03)


def test_an_estimator_reaches_the_bound() -> None:
    """Least squares in one parameter on 400 noisy pictures: SD to 3 of its standard errors (3.5 %)."""
    rng, used = np.random.default_rng(1), ring()
    slope = slopes_of(spokes(0.0), used)[:1]
    found = [slope[0] @ rng.normal(0.0, 0.5, used.sum()) / (slope[0] @ slope[0]) for _ in range(400)]
    assert np.std(found) == pytest.approx(bound_deg(slope, slope, 0.25), rel=0.11)


def test_noise_in_both_halves_does_not_pass_for_pattern() -> None:
    """Two noisy pictures without any pattern tell nothing of the turn; one alone seems to tell much."""
    rng, used = np.random.default_rng(2), ring()
    one, other = (slopes_of(rng.normal(0.0, 0.3, (129, 129)), used)[:1] for _ in range(2))
    assert bound_deg(one, other, 0.25) > 3.0 * bound_deg(one, one, 0.25)
