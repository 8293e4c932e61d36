"""Which way is up: all eight flips of a picture, told apart by known targets."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from numpy.typing import NDArray

from capture.direction import check_direction, upright, upright_angle_deg, words
from capture.profile import EyeView
from tests.capture.flips import FLIPS, SIZE_PX, delivered

TARGETS_DEG = np.array([(0, 0), (10, 0), (-10, 0), (0, 10), (0, -10.0)])


def seen(roll_deg: float = 0.0) -> NDArray[np.float64]:
    """Upright pixels of an eye on the targets: right is left, up is up, turned by a camera's roll."""
    roll = np.radians(roll_deg)
    turn = np.array([[np.cos(roll), np.sin(roll)], [-np.sin(roll), np.cos(roll)]])
    return -TARGETS_DEG * (7.0, 8.0) @ turn + (12.0, -5.0)


def test_a_quarter_turn_counter_clockwise_takes_right_to_the_top() -> None:
    right_of_middle = np.array([[(320 - 1) / 2 + 10.0, (240 - 1) / 2]])
    turned = upright(EyeView("left", rotation_deg=90), right_of_middle, SIZE_PX)
    np.testing.assert_allclose(turned, [[0.0, -10.0]])
    mirrored = upright(EyeView("left", mirrored=True, rotation_deg=90), right_of_middle, SIZE_PX)
    np.testing.assert_allclose(mirrored, [[0.0, 10.0]])


@pytest.mark.parametrize("view", FLIPS, ids=words)
def test_directions_turn_with_the_picture(view: EyeView) -> None:
    along = np.radians(35.0)
    ends = delivered(view, np.array([[0.0, 0.0], [np.cos(along), np.sin(along)]]))
    there = np.degrees(np.arctan2(*(ends[1] - ends[0])[::-1]))
    turned = upright_angle_deg(view, np.array([there]))[0]
    assert (turned - 35.0 + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("roll_deg", [-20.0, 0.0, 20.0])
@pytest.mark.parametrize("truth", FLIPS, ids=words)
def test_of_eight_statements_seven_are_contradicted(truth: EyeView, roll_deg: float) -> None:
    picture = delivered(truth, seen(roll_deg))
    results = [check_direction(view, TARGETS_DEG, upright(view, picture, SIZE_PX)) for view in FLIPS]
    for view, result in zip(FLIPS, results, strict=True):
        assert result.direction == ("proven" if view == truth else "contradicted")
        assert result.view == truth
    assert sum(result.direction == "contradicted" for result in results) == 7


def test_the_flip_is_told_in_words() -> None:
    truth = EyeView("right", mirrored=True, rotation_deg=180)
    picture = upright(FLIPS[0], delivered(truth, seen()), SIZE_PX)
    assert (
        "mirrored and turned by 180 deg, not as it should be"
        in check_direction(FLIPS[0], TARGETS_DEG, picture).reason
    )


@pytest.mark.parametrize("rows", [[], [0], [0, 1], [0, 1, 2], [0, 3, 4]])
def test_without_looks_along_both_axes_nothing_is_proven(rows: list[int]) -> None:
    result = check_direction(FLIPS[0], TARGETS_DEG[rows].reshape(-1, 2), seen()[rows].reshape(-1, 2))
    assert result.direction == "unproven"
    assert "both axes" in result.reason


def test_an_eye_that_did_not_follow_proves_nothing() -> None:
    wander = np.random.default_rng(4).normal(0.0, 30.0, (5, 2))
    assert check_direction(FLIPS[0], TARGETS_DEG, wander).direction == "unproven"


def test_an_eye_that_hardly_followed_on_one_axis_proves_nothing() -> None:
    """Three targets fit any linear map: only its shape can tell."""
    barely = seen()[[0, 1, 3]] * (1.0, 0.3)
    result = check_direction(FLIPS[0], TARGETS_DEG[[0, 1, 3]], barely)
    assert (result.direction, result.reason) == ("unproven", "the eye did not follow the targets")


def test_a_picture_askew_between_two_turns_proves_nothing() -> None:
    for roll_deg, view in product((45.0, -45.0, 135.0), FLIPS):
        picture = upright(view, delivered(view, seen(roll_deg)), SIZE_PX)
        assert check_direction(view, TARGETS_DEG, picture).direction == "unproven"


def test_targets_that_hardly_leave_one_line_prove_nothing() -> None:
    """10 deg across and half a degree up: the second axis drowns in how well a patient aims."""
    targets = np.array([(0.0, 0.0), (10.0, 0.0), (-10.0, 0.0), (0.0, 0.5)])
    found = check_direction(EyeView("right"), targets, -7.0 * targets)
    assert found.direction == "unproven"
    assert "clear look along both axes" in found.reason
