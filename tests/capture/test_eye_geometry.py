"""The model against an exact ray trace, and its inversion."""

from __future__ import annotations

import numpy as np
import pytest

from capture.eye_geometry import EyeModel, gaze, iris_rotation, picture_position, pupil_shape
from tests.capture.ray_traced_eye import SIZE_PX, RayTracedEye

OFF_AXIS = EyeModel(-28.0, -9.0, 5.0, 62.0, 0.095, 12.0, -8.0, 10.8, 1.4, -3.0, 0.5, 0.049, 0.0, 0.0)


def test_the_inversion_undoes_the_model() -> None:
    angles = np.radians(np.random.default_rng(1).uniform(-35.0, 35.0, (500, 2)))
    vector = OFF_AXIS.vector()
    back = gaze(vector, picture_position(vector, angles), np.zeros(500))
    np.testing.assert_allclose(back, angles, atol=1e-7)


def test_what_no_eye_can_show_and_what_is_missing_is_nan() -> None:
    places = np.array([[400.0, 0.0], [np.nan, 3.0], [0.0, -300.0]])
    assert np.isnan(gaze(OFF_AXIS.vector(), places, np.zeros(3))).all()


def test_a_model_survives_its_vector() -> None:
    again = EyeModel.from_vector(OFF_AXIS.vector())
    np.testing.assert_allclose(again.vector(), OFF_AXIS.vector(), rtol=1e-12)


def test_straight_ahead_is_where_the_model_says() -> None:
    """With a camera on the pupil's own axis the cornea shifts nothing."""
    model = EyeModel(-3.0, 0.5, 5.0, 62.0, 0.095, 12.0, -8.0, 10.8, 0.0, -3.0, 0.5, 0.049, 0.0, 0.0)
    np.testing.assert_allclose(picture_position(model.vector(), np.zeros((1, 2))), [[12.0, -8.0]], atol=1e-3)


def test_right_is_left_and_up_is_up_in_the_picture() -> None:
    looks = np.radians([[0.0, 0.0], [10.0, 0.0], [0.0, 10.0]])
    straight, right, up = picture_position(OFF_AXIS.vector(), looks)
    assert right[0] < straight[0] - 10.0
    assert up[1] < straight[1] - 10.0


def _model_of(eye: RayTracedEye) -> EyeModel:
    """The same eye and camera in the model's terms; scale and radius by hand from the anatomy.

    The radius is that of the paraxial image of the pupil through the cornea: an object d behind a surface of
    radius r in index n is seen at d' = d / (n - (n - 1) d / r).
    """
    depth = eye.cornea_centre + eye.cornea_radius - eye.iris
    seen = depth / (eye.index - (eye.index - 1.0) * depth / eye.cornea_radius)
    radius = eye.cornea_centre + eye.cornea_radius - seen
    kappa = np.radians(eye.kappa_deg)
    pupil = radius * np.array([np.tan(eye.temple * kappa[0]), np.tan(kappa[1])])
    x, y = eye.picture(0.0, 0.0, 0.0, 1e-3, eye.offset).mean(axis=0) - (np.array(SIZE_PX) - 1) / 2
    straight = np.array([pupil[0], pupil[1], radius])
    azimuth, elevation = np.radians([eye.azimuth_deg * eye.temple, eye.elevation_deg])
    camera = eye.distance * np.array(
        [np.sin(azimuth) * np.cos(elevation), np.sin(elevation), np.cos(azimuth) * np.cos(elevation)]
    )
    away = camera - straight
    distance = float(np.linalg.norm(away))
    return EyeModel(
        float(np.degrees(np.arctan2(away[0], away[2]))),
        float(np.degrees(np.arcsin(away[1] / distance))),
        eye.roll_deg, distance, distance / eye.focal_px, float(x), float(y), radius, 0.0,
        eye.temple * eye.kappa_deg[0], eye.kappa_deg[1], 0.049, 0.0, 0.0,
    )  # fmt: skip


@pytest.mark.parametrize("off_axis_deg", [0.0, 15.0, 30.0])
def test_the_outline_narrows_as_a_ray_trace_says(off_axis_deg: float) -> None:
    """Log axis ratio within 0.02 (the error that the fit assumes) up to 25 deg of gaze."""
    eye = RayTracedEye(temple=-1, azimuth_deg=off_axis_deg, offset=(0.0, 0.0))
    looks = np.array([(h, v) for h in (-25.0, -10.0, 5.0, 25.0) for v in (-20.0, 4.0, 20.0)])
    ellipses = np.array([eye.pupil_ellipse(*look) for look in looks])
    ratio, twice = np.log(ellipses[:, 2] / ellipses[:, 3]), 2.0 * np.radians(ellipses[:, 4])
    truth = ratio[:, None] * np.column_stack((np.cos(twice), np.sin(twice)))
    np.testing.assert_allclose(pupil_shape(_model_of(eye).vector(), np.radians(looks)), truth, atol=0.02)


@pytest.mark.parametrize("seed", range(4))
def test_the_iris_turns_as_a_ray_trace_says(seed: int) -> None:
    """Within 0.1 deg up to 20 deg of gaze, the camera known; 6 deg of torsion within 0.05 deg."""
    eye = RayTracedEye.random(np.random.default_rng(seed))
    looks = np.array([(0.0, 0.0), (18.0, 0.0), (-18.0, 5.0), (3.0, 16.0), (-12.0, -14.0), (14.0, 14.0)])
    truth = np.array([eye.iris_rotation_deg(*look) for look in looks])
    vector, still = _model_of(eye).vector(), np.zeros(len(looks))
    said = np.degrees(iris_rotation(vector, np.radians(looks), still))
    np.testing.assert_allclose(said - said[0], truth - truth[0], atol=0.1)
    turned = np.array([eye.iris_rotation_deg(*look, 6.0) for look in looks])
    np.testing.assert_allclose(turned - truth, -6.0, atol=0.5)  # upper pole to the right: counter-clockwise
    said_turned = np.degrees(iris_rotation(vector, np.radians(looks), still + np.radians(6.0)))
    np.testing.assert_allclose(said_turned - said, turned - truth, atol=0.05)


def test_torsion_of_a_gaze_that_is_not_known_is_not_known() -> None:
    looks = np.radians([[5.0, 3.0], [np.nan, 3.0]])
    turned = iris_rotation(OFF_AXIS.vector(), looks, np.zeros(2))
    assert np.isfinite(turned[0])
    assert np.isnan(turned[1])
    no_torsion = iris_rotation(OFF_AXIS.vector(), looks, np.array([np.nan, 0.0]))
    assert np.isnan(no_torsion).all()


def test_a_pupil_that_has_turned_out_of_the_camera_s_sight_tells_no_gaze() -> None:
    """The camera stands 28 deg to one side: 40 deg to the other the pupil is seen, 65 deg it is not."""
    vector = OFF_AXIS.vector()
    seen, hidden = np.radians([[-40.0, 0.0]]), np.radians([[-65.0, 0.0]])
    np.testing.assert_allclose(gaze(vector, picture_position(vector, seen), np.zeros(1)), seen, atol=1e-7)
    assert np.isnan(gaze(vector, picture_position(vector, hidden), np.zeros(1))).all()


def test_an_eye_whose_pupil_does_not_move_with_it_tells_no_gaze() -> None:
    vector = OFF_AXIS.vector()
    vector[7], vector[8] = -200.0, 0.0  # logarithm of the radius; gap between the axes
    assert np.isnan(gaze(vector, np.array([[30.0, 5.0]]), np.zeros(1))).all()
