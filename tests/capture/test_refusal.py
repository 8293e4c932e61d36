"""Targets that contradict the others are refused, as long as enough of them are left."""

from __future__ import annotations

import numpy as np
import pytest

from capture.calibration_fit import prior
from capture.eye_geometry import picture_position, pupil_shape
from capture.fixations import Fixation
from capture.profile import EyeView, MountGeometry
from capture.refusal import refuse_outliers, too_few
from capture.samples import Target

KNOWN = prior(EyeView("right"), MountGeometry(), (320, 240))


def seen_at(*places: tuple[float, float], off_px: float = 0.0) -> list[Fixation]:
    """What an eye as it is expected shows on each target; the last one seen `off_px` aside."""
    looks = np.radians(np.array(places))
    at = picture_position(KNOWN.mean, looks)
    shapes = pupil_shape(KNOWN.mean, looks)
    at[-1, 0] += off_px
    return [
        Fixation(Target(float(k), k + 1.0, *place), x, y, 0.1, (s[0], s[1]), 0.0, 1.0, "steady")
        for k, (place, (x, y), s) in enumerate(zip(places, at.tolist(), shapes.tolist(), strict=True))
    ]


@pytest.mark.parametrize("off_px", [10.0, 25.0, -25.0, 60.0])
def test_one_that_is_elsewhere_is_refused(off_px: float) -> None:
    fixations = seen_at((0, 0), (10, 0), (-10, 0), (0, 10), (0, -10), (10, 10), off_px=off_px)
    kept = refuse_outliers(fixations, KNOWN)
    assert [target[2:] for target in kept.refused] == [(10, 10)]
    assert len(kept.fixations) == 5


def test_none_is_refused_where_the_rest_would_carry_no_calibration() -> None:
    """Four corners 2.4 deg apart in height spread over 3.4 deg, any three of them over less than 3."""
    fixations = seen_at((0, 0), (10, 0), (0, 2.4), (10, 2.4), off_px=25.0)
    assert too_few(fixations) == ""
    assert all(too_few([f for f in fixations if f is not one]) for one in fixations)
    kept = refuse_outliers(fixations, KNOWN)
    assert kept.refused == {}
    assert len(kept.fixations) == 4
