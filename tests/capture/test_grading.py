"""What is said of a calibration: graded by its residuals, and what else does not fit."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from capture.calibration import calibrate
from capture.direction import FlipFound
from capture.grading import GradeSettings, TargetResidual, judge
from capture.profile import MountGeometry
from capture.samples import Target
from tests.capture.calibrated_eye import UNKNOWN
from tests.capture.flips import FLIPS
from tests.capture.ray_traced_eye import EIGHT, FIVE, SIZE_PX, RayTracedEye, exact_look, said_at, view_of

PROVEN = FlipFound("proven", FLIPS[0], "the eye moved as the targets asked")


def test_an_unusual_eye_is_named_and_an_impossible_one_refused() -> None:
    rows = [_residual(0.1, place) for place in ((0.0, 0.0), (10.0, 0.0), (-10.0, 0.0), (0.0, 10.0))]
    grades = [judge(rows, strain, PROVEN, GradeSettings()) for strain in (10.0, 20.0, 40.0)]
    assert [one.grade for one in grades] == ["good", "usable", "refused"]
    assert "unusual eye or camera" in grades[1].reason


@pytest.mark.parametrize("slip_deg", [1.3, 3.0])
def test_goggles_that_moved_are_told_by_the_repeated_centre(slip_deg: float) -> None:
    eye = RayTracedEye(temple=-1)
    targets, rows = exact_look(eye, (*EIGHT[:7], (slip_deg, 0.0)))
    shown = said_at(targets, EIGHT)
    calibration = calibrate(shown, rows, view_of(eye), UNKNOWN, SIZE_PX)
    assert calibration.grade == "usable"
    assert "goggles may have moved" in calibration.reason


def _residual(off_deg: float, place: tuple[float, float]) -> TargetResidual:
    return TargetResidual(0.0, 1.0, *place, off_deg, 0.0, 0.05, 0.9, "steady", True, "")


@pytest.mark.parametrize(
    ("off_deg", "grade"),
    [
        ((0.4, 0.4, 0.4, 0.4), "good"),
        ((0.99, 0.3, 0.3, 0.3), "good"),
        ((0.5, 0.5, 0.5, 0.6), "usable"),  # mean above 0.5
        ((1.01, 0.1, 0.1, 0.1), "usable"),  # worst above 1.0
        ((1.9, 0.5, 0.5, 0.5), "usable"),
        ((2.01, 0.1, 0.1, 0.1), "refused"),  # worst above 2.0
        ((1.1, 1.1, 1.1, 1.1), "refused"),  # mean above 1.0
    ],
)
def test_residuals_are_graded_by_mean_and_worst(off_deg: tuple[float, ...], grade: str) -> None:
    places = ((0.0, 0.0), (10.0, 0.0), (-12.0, 0.0), (0.0, 10.0))
    judged = judge(
        [_residual(*row) for row in zip(off_deg, places, strict=True)], 5.0, PROVEN, GradeSettings()
    )
    assert judged.grade == grade
    assert judged.valid_horizontal_deg == (-17.0, 15.0)
    assert judged.valid_vertical_deg == (-5.0, 15.0)


def test_where_no_eye_can_look_there_is_no_residual() -> None:
    rows = [_residual(0.1, (10.0 * n, 5.0 * (n % 2))) for n in range(4)]
    rows[2] = msgspec.structs.replace(rows[2], residual_horizontal_deg=None, residual_vertical_deg=None)
    judged = judge(rows, 5.0, PROVEN, GradeSettings())
    assert (judged.grade, judged.mean_deg, judged.worst_deg) == ("refused", None, None)
    assert "Repeat the calibration. No fit on 4 of 4 targets" in judged.reason


@pytest.mark.parametrize("seed", range(3))
def test_angles_typed_twice_as_large_are_refused(seed: int) -> None:
    eye = RayTracedEye.random(np.random.default_rng(700 + seed))
    targets, rows = exact_look(eye, FIVE)
    assert calibrate(targets, rows, view_of(eye), UNKNOWN, SIZE_PX).grade == "good"
    doubled = tuple(Target(*one[:2], 2 * one[2], 2 * one[3]) for one in targets)
    calibration = calibrate(doubled, rows, view_of(eye), UNKNOWN, SIZE_PX)
    assert (calibration.calibrated, calibration.grade) == (False, "refused")
    assert "half the stated angles" in calibration.reason
    assert calibration.summary().lower().count("refused") == 1


@pytest.mark.parametrize(
    ("looked", "words"), [(1.5, "one and a half times the stated"), (2 / 3, "two thirds of the stated")]
)
def test_targets_at_another_distance_than_stated_are_told(looked: float, words: str) -> None:
    """With a measured mount, the eye looks at 1.5 times or two thirds of the stated angles."""
    eye = RayTracedEye.random(np.random.default_rng(720))
    scale_mm_per_px = (eye.distance - 10.5) / eye.focal_px
    mount = MountGeometry(eye.azimuth_deg, eye.elevation_deg, eye.distance - 11.0, scale_mm_per_px)
    targets, rows = exact_look(eye, tuple((looked * h, looked * v) for h, v in FIVE))
    assert calibrate(targets, rows, view_of(eye), mount, SIZE_PX).grade == "good"
    stated = said_at(targets, FIVE)
    calibration = calibrate(stated, rows, view_of(eye), mount, SIZE_PX)
    assert calibration.grade != "good"
    assert words in calibration.reason
