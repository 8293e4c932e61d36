"""The simulated eye against a slow ray trace that shares no code with it, and against geometry by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from capture.samples import Eye
from capture.simulation.anatomy import draw_eye
from capture.simulation.camera import Camera
from capture.simulation.painter import EyeState, Look, Painter
from capture.simulation.still import still
from tests.capture.slow_ray_trace import pupil_seen, slow_scene

BARE = Look(noise=0, glints=0, lashes=0)

CASES: list[tuple[int, Eye, Camera, tuple[float, float, float], float]] = [
    (11, "right", Camera(), (0.0, 0.0, 0.0), 3.5),
    (12, "left", Camera(azimuth_temporal_deg=30), (-12.0, 6.0, 4.0), 5.0),
    (13, "right", Camera(azimuth_temporal_deg=30, elevation_deg=-15), (18.0, -9.0, -6.0), 2.0),
    (14, "left", Camera(elevation_deg=-28), (7.0, 2.0, 8.0), 8.0),
    (
        15,
        "right",
        Camera(azimuth_temporal_deg=-12, elevation_deg=20, distance_mm=35),
        (-20.0, -14.0, 0.0),
        6.5,
    ),
    (16, "left", Camera(size_px=(160, 120), azimuth_temporal_deg=18), (25.0, 0.0, 2.0), 4.0),
]


@pytest.mark.parametrize(("seed", "eye", "camera", "gaze_deg", "pupil_mm"), CASES)
def test_true_ellipse_is_what_counted_rays_show(seed, eye, camera, gaze_deg, pupil_mm) -> None:
    anatomy = draw_eye(seed, eye)
    true = Painter(anatomy, camera, BARE).truth(EyeState(*gaze_deg, pupil_mm))
    box = (round(true.x_px), round(true.y_px), math.ceil(true.major_px) + 2)
    x, y, major, minor = pupil_seen(anatomy, camera, gaze_deg, pupil_mm, box, over=12)
    assert math.hypot(true.x_px - x, true.y_px - y) < 0.003
    assert (true.major_px, true.minor_px) == pytest.approx((major, minor), abs=0.006)


@pytest.mark.parametrize(("seed", "eye", "camera", "gaze_deg", "pupil_mm"), CASES)
def test_pupil_in_the_fast_picture_lies_where_counted_rays_put_it(
    seed, eye, camera, gaze_deg, pupil_mm
) -> None:
    plain = replace(draw_eye(seed, eye), iris_contrast=0.0, lid_upper_deg=60, lid_lower_deg=-60)
    state = EyeState(*gaze_deg, min(pupil_mm, 3.0))  # even iris all round it
    painter = Painter(plain, camera, BARE)
    true = painter.truth(state)
    half = math.ceil(true.major_px + 4)
    x0, y0 = round(true.x_px), round(true.y_px)
    expected = pupil_seen(plain, camera, gaze_deg, state.pupil_mm, (x0, y0, half - 2), over=10)
    part = painter.scene(state)[y0 - half : y0 + half + 1, x0 - half : x0 + half + 1].astype(float)
    dark = part[half, 0] - part  # the iris is even, so what is missing is the pupil and its even frill
    x, y = np.meshgrid(np.arange(-half, half + 1), np.arange(-half, half + 1))
    dark[np.hypot(x, y) > half] = 0
    centre = (x0 + (dark * x).sum() / dark.sum(), y0 + (dark * y).sum() / dark.sum())
    assert math.hypot(centre[0] - expected[0], centre[1] - expected[1]) < 0.01


@pytest.mark.parametrize(("seed", "eye", "camera", "gaze_deg", "pupil_mm"), CASES)
def test_fast_picture_is_the_slow_picture(seed, eye, camera, gaze_deg, pupil_mm) -> None:
    anatomy = replace(draw_eye(seed, eye), lid_upper_deg=60, lid_lower_deg=-60)
    painter = Painter(anatomy, camera, BARE)
    state = EyeState(*gaze_deg, pupil_mm)
    true = painter.truth(state)
    half = math.ceil(1.1 * anatomy.iris_radius_mm / camera.mm_per_px)
    width, height = camera.upright_size_px
    x0 = int(np.clip(round(true.x_px), half + 5, width - half - 6))
    y0 = int(np.clip(round(true.y_px), half + 5, height - half - 6))
    slow = slow_scene(painter, state, (x0, y0, half), over=4)
    rows, columns = np.arange(y0 - half, y0 + half + 1), np.arange(x0 - half, x0 + half + 1)
    fast = painter.scene(state)[np.ix_(rows, columns)]
    lids = painter.lids(state)[:, columns] + np.array([[3.5], [-1.0]]) / camera.mm_per_px
    bare = (rows[:, None] > lids[0]) & (rows[:, None] < lids[1])
    assert bare.mean() > 0.5
    off = 255 * np.abs(fast - slow)[bare]  # grey levels in full light
    assert off.mean() < 0.4  # the sensor's read noise is 0.9
    assert np.quantile(off, 0.99) < 3.0  # the far rim of the cornea is painted without smoothing


def test_glint_moves_with_the_centre_of_the_cornea_and_less_than_the_pupil() -> None:
    anatomy = replace(draw_eye(3, "right"), kappa_temporal_deg=0.0, kappa_up_deg=0.0)
    camera = Camera(distance_mm=400.0, focal_px=4000.0, leds_mm=((0.0, 0.0),))  # far away: nearly parallel
    at = []
    for horizontal_deg in (0.0, 8.0):
        image, true = still(
            gaze_deg=(horizontal_deg, 0, 0), pupil_mm=6.0, camera=camera, anatomy=anatomy, noise=0, light=0.3
        )
        bright = np.clip(image.astype(float) - 120, 0, None)
        at.append(((bright * np.arange(320)).sum() / bright.sum(), true.x_px))
    glint_px, pupil_px = at[0][0] - at[1][0], at[0][1] - at[1][1]  # right is toward smaller x
    by_hand = anatomy.cornea_centre_mm * math.sin(math.radians(8.0)) / camera.mm_per_px
    assert glint_px == pytest.approx(by_hand, rel=0.04)
    assert 0 < glint_px < 0.7 * pupil_px


def test_cornea_magnifies_the_pupil_as_a_schematic_eye_does() -> None:
    """Entrance pupil over real pupil: paraxial formula n / (n - (n - 1) d / r), seen from far away."""
    anatomy = replace(draw_eye(5, "left"), kappa_temporal_deg=0.0, kappa_up_deg=0.0)
    camera = Camera(distance_mm=4000.0, focal_px=40000.0)
    true = Painter(anatomy, camera, BARE).truth(EyeState(pupil_mm=2.0))
    n, d, r = anatomy.refractive_index, anatomy.pupil_depth_mm, anatomy.cornea_radius_mm
    assert true.major_px * camera.mm_per_px == pytest.approx(n / (n - (n - 1) * d / r), rel=0.005)


def test_anatomy_is_within_its_ranges_and_differs_between_patients() -> None:
    eyes = [draw_eye(seed, "right") for seed in range(200)]
    apex_mm = np.array([eye.apex_mm for eye in eyes])
    assert apex_mm.min() >= 12.2
    assert apex_mm.max() <= 15.6
    assert apex_mm.std() == pytest.approx(0.8 * math.hypot(0.95, 0.31), rel=0.25)
    assert len({eye.texture_seed for eye in eyes}) == 200
    assert draw_eye(1, "right") == draw_eye(1, "right")
    assert draw_eye(1, "right") != draw_eye(1, "left")
