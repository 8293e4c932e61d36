"""Degrees in any picture: which way is right, up and the upper pole to the right; torsion from its zero."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from numpy.typing import NDArray

from capture.calibration import calibrate
from capture.direction import words
from capture.profile import EyeView
from tests.capture.calibrated_eye import UNKNOWN, circles, converted
from tests.capture.flips import FLIPS, delivered
from tests.capture.ray_traced_eye import EIGHT, FIVE, SIZE_PX, RayTracedEye, exact_look, samples_of, view_of


def _in_picture(view: EyeView, rows: NDArray[np.void]) -> NDArray[np.void]:
    """The same samples as a camera delivers them whose picture `view` brings upright."""
    out = rows.copy()
    middle = (np.array(SIZE_PX) - 1) / 2
    xy = delivered(view, np.column_stack((rows["x_px"], rows["y_px"])) - middle)
    out["x_px"], out["y_px"] = xy.T
    angle = np.radians(rows["angle_deg"])
    ends = delivered(view, np.column_stack((np.cos(angle), np.sin(angle)))) - delivered(
        view, np.zeros((1, 2))
    )
    out["angle_deg"] = np.degrees(np.arctan2(ends[:, 1], ends[:, 0])) % 180.0
    out["rotation_deg"] = -rows["rotation_deg"] if view.mirrored else rows["rotation_deg"]
    return out


def test_the_same_eye_in_any_picture_has_the_same_degrees() -> None:
    eye = RayTracedEye.random(np.random.default_rng(130))
    targets, rows = exact_look(eye, EIGHT)
    truth = circles(20.0, 3.0)
    moved = samples_of(eye, truth, truth[:, 0])
    said = []
    for flip in FLIPS:
        view = msgspec.structs.replace(flip, eye=view_of(eye).eye)
        calibration = calibrate(targets, _in_picture(view, rows), view, UNKNOWN, SIZE_PX)
        assert calibration.direction == "proven"
        said.append(converted(calibration, _in_picture(view, moved)))
    np.testing.assert_allclose(said, np.broadcast_to(said[0], np.shape(said)), atol=1e-4)


@pytest.mark.parametrize("truth_view", FLIPS, ids=words)
def test_a_wrongly_stated_picture_is_contradicted_and_torsion_withheld(truth_view: EyeView) -> None:
    eye = RayTracedEye(temple=-1, azimuth_deg=12.0, elevation_deg=-8.0, roll_deg=9.0)
    targets, rows = exact_look(eye, FIVE)
    picture = _in_picture(truth_view, rows)
    found = [calibrate(targets, picture, stated, UNKNOWN, SIZE_PX) for stated in FLIPS]
    assert [one.direction == "proven" for one in found] == [stated == truth_view for stated in FLIPS]
    assert sum(one.direction == "contradicted" for one in found) == 7
    gaze = np.repeat([target[2:] for target in targets], 48, axis=0)
    for one, stated in zip(found, FLIPS, strict=True):
        assert (one.view, one.stated_view, one.calibrated) == (truth_view, stated, True)
        said = converted(one, picture)
        np.testing.assert_allclose(said[:, :2], gaze, atol=0.2)  # the targets say what is right and up
        assert np.isnan(said[:, 2]).all() == (stated != truth_view)


@pytest.mark.parametrize("mirrored", [False, True])
def test_torsion_is_fick_torsion_from_the_centre_target(mirrored: bool) -> None:
    """Within 5 deg of gaze 0.08 deg RMS, out to 20 deg 0.25 deg; slope within 3 %."""
    rng = np.random.default_rng(140)
    for off_axis_deg in (5.0, 18.0, 30.0):
        eye = RayTracedEye.random(rng, off_axis_deg)
        view = EyeView(view_of(eye).eye, mirrored=mirrored)
        targets, rows = exact_look(eye, EIGHT)
        calibration = calibrate(targets, _in_picture(view, rows), view, UNKNOWN, SIZE_PX)
        for radius_deg, limit_deg in ((5.0, 0.08), (20.0, 0.25)):
            truth = np.vstack([circles(radius_deg, t) for t in (-5.0, 0.0, 5.0)])
            said = converted(calibration, _in_picture(view, samples_of(eye, truth, truth[:, 0])))
            assert np.sqrt(np.mean((said[:, 2] - truth[:, 2]) ** 2)) <= limit_deg
            assert np.polyfit(truth[:, 2], said[:, 2], 1)[0] == pytest.approx(1.0, abs=0.03)


def test_torsion_moves_horizontal_and_vertical_less_than_it_moves_the_pupil() -> None:
    """The pupil lies some 3 deg off the line of sight: 5 deg of torsion moves it by about 0.3 deg."""
    left, corrected = [], []
    for seed in range(6):
        eye = RayTracedEye.random(np.random.default_rng(150 + seed))
        calibration = calibrate(*exact_look(eye, FIVE), view_of(eye), UNKNOWN, SIZE_PX)
        rows = samples_of(eye, np.array([(0.0, 0.0, -5.0), (0.0, 0.0, 5.0)]), np.arange(2.0))
        corrected.append(np.ptp(converted(calibration, rows)[:, :2], axis=0))
        rows["rotation_deg"] = np.nan
        left.append(np.ptp(converted(calibration, rows)[:, :2], axis=0))
    assert np.mean(left) > 0.15
    assert np.mean(corrected) < 0.6 * np.mean(left)


def test_missing_torsion_stays_missing_and_makes_no_step() -> None:
    eye = RayTracedEye(temple=-1)
    calibration = calibrate(*exact_look(eye, FIVE), view_of(eye), UNKNOWN, SIZE_PX)
    rows = samples_of(eye, np.full((9, 3), (2.0, 1.0, 8.0)), np.arange(9.0))
    rows["rotation_deg"][3:6] = np.nan
    said = converted(calibration, rows)
    assert np.isnan(said[:, 2]).tolist() == [False] * 3 + [True] * 3 + [False] * 3
    assert np.ptp(said[:, :2], axis=0).max() < 1e-6


def test_torsion_without_a_zero_stays_out_of_the_other_axes() -> None:
    """A reference somewhere else (here 40 deg off) must not move the pupil's place."""
    eye = RayTracedEye(temple=-1, azimuth_deg=20.0)
    targets, rows = exact_look(eye, FIVE)
    seen = rows.copy()
    rows["rotation_deg"] = np.nan
    calibration = calibrate(targets, rows, view_of(eye), UNKNOWN, SIZE_PX)
    assert not calibration.torsion_referenced
    without = converted(calibration, rows)
    seen["rotation_deg"] += 40.0
    np.testing.assert_array_equal(converted(calibration, seen)[:, :2], without[:, :2])
