"""Pictures of the simulated eye: what they show, how they are turned, and their noise."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from capture.simulation.anatomy import draw_eye
from capture.simulation.camera import Camera
from capture.simulation.empty import SCENES, without_pupil
from capture.simulation.painter import EyeState, Look, Painter, line_kernel
from capture.simulation.still import still

BARE = {"noise": 0.0, "glints": 0.0, "lashes": 0.0}


def dark_centre(image, true) -> tuple[float, float]:
    """Centroid of what is darker than half way to the iris, near where the pupil should be."""
    y, x = np.mgrid[: image.shape[0], : image.shape[1]]
    near = np.hypot(x - true.x_px, y - true.y_px) < true.major_px + 3
    weight = near * (image < 45)
    return float((weight * x).sum() / weight.sum()), float((weight * y).sum() / weight.sum())


def test_right_up_and_torsion_as_a_person_in_front_sees_them() -> None:
    _, ahead = still(4, **BARE)
    image, right_up = still(4, (12.0, 8.0, 0.0), **BARE)
    assert right_up.x_px < ahead.x_px - 15  # patient's right is at the image's left
    assert right_up.y_px < ahead.y_px - 10
    assert dark_centre(image, right_up) == pytest.approx(right_up[:2], abs=0.3)
    _, rolled = still(4, (0.0, 0.0, 6.0), **BARE)
    # Upper pole toward the patient's right goes to the image's left: image x away from image y.
    assert rolled.rotation_deg - ahead.rotation_deg == pytest.approx(-6.0, abs=0.1)


def test_the_iris_in_the_picture_turns_by_the_true_angle() -> None:
    camera = Camera(roll_deg=0.0)
    plain = replace(
        draw_eye(6, "left"),
        kappa_temporal_deg=0.0,
        kappa_up_deg=0.0,
        pupil_nasal_mm=0.0,
        pupil_up_mm=0.0,
        lid_upper_deg=60,
        lid_lower_deg=-60,
    )
    rings = []
    for torsion_deg in (0.0, 5.0):
        image, true = still(gaze_deg=(0, 0, torsion_deg), camera=camera, anatomy=plain, **BARE)
        ring = cv2.warpPolar(image, (40, 720), (true.x_px, true.y_px), 52, cv2.WARP_POLAR_LINEAR)[:, 20:]
        rings.append(ring.astype(float) - ring.mean(axis=0))
    match = [(rings[0] * np.roll(rings[1], shift, axis=0)).sum() for shift in range(-40, 41)]
    assert (
        int(np.argmax(match)) - 40 == 10
    )  # half degrees: the later ring lies 5 deg back, so roll it forward


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
@pytest.mark.parametrize("mirrored", [False, True])
def test_delivered_picture_comes_upright_as_its_view_says(rotation_deg, mirrored) -> None:
    plain, turned = (
        Camera(size_px=(320, 320)),
        Camera(size_px=(320, 320), mirrored=mirrored, rotation_deg=rotation_deg),
    )
    upright, true = still(8, (9.0, -4.0, 0.0), 4.0, plain, **BARE)
    image, truth = still(8, (9.0, -4.0, 0.0), 4.0, turned, **BARE)
    view = turned.view("right")
    back = np.rot90(np.fliplr(image) if view.mirrored else image, view.rotation_deg // 90)
    np.testing.assert_array_equal(back, upright)
    assert dark_centre(image, truth) == pytest.approx(truth[:2], abs=0.3)
    assert (truth.major_px, truth.visible_share) == pytest.approx((true.major_px, true.visible_share))


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
@pytest.mark.parametrize("mirrored", [False, True])
def test_true_ellipse_and_rotation_follow_the_turned_picture(rotation_deg, mirrored) -> None:
    camera = Camera(mirrored=mirrored, rotation_deg=rotation_deg, azimuth_temporal_deg=30, roll_deg=8)
    image, truth = still(8, (-20.0, 3.0, 0.0), 6.0, camera, **BARE)
    assert image.shape == (240, 320)
    seen = (image < 45).astype(np.uint8)
    mask = np.zeros_like(seen)
    cv2.ellipse(mask, (truth[:2], (2 * truth.major_px, 2 * truth.minor_px), truth.angle_deg), 1, -1)
    assert (seen & mask).sum() / mask.sum() > 0.95
    _, rolled = still(8, (-20.0, 3.0, 4.0), 6.0, camera, **BARE)
    turned_deg = (rolled.rotation_deg - truth.rotation_deg + 180) % 360 - 180
    assert turned_deg == pytest.approx(4.0 if mirrored else -4.0, abs=0.4)


def test_camera_from_the_temple_and_from_below_sees_the_eye_from_there() -> None:
    for eye, outward in (("right", -1), ("left", 1)):
        position, axes = Camera(azimuth_temporal_deg=30, distance_mm=50).pose(eye)
        np.testing.assert_allclose(position, [outward * 25.0, 0.0, 10.3 + 50 * math.cos(math.radians(30))])
        np.testing.assert_allclose(axes @ axes.T, np.eye(3), atol=1e-12)
    low, _ = Camera(elevation_deg=-30, distance_mm=50).pose("right")
    np.testing.assert_allclose(low, [0.0, -25.0, 10.3 + 50 * math.cos(math.radians(30))])


def test_roll_turns_the_content_from_x_toward_y() -> None:
    places = [still(2, (-15.0, 0.0, 0.0), camera=Camera(roll_deg=roll), **BARE)[1] for roll in (0, 10)]
    assert places[0].x_px > 175  # gaze to the patient's left: right in the image; turned, it comes lower
    assert places[1].y_px > places[0].y_px + 3


def test_noise_is_photon_and_read_noise_and_never_repeats() -> None:
    camera = Camera(electrons_per_level=30.0, read_noise_levels=1.2)
    clean = still(9, camera=camera, noise=0)[0].astype(float)
    frames = np.stack([still(9, camera=camera, number=k)[0] for k in range(40)]).astype(float)
    for low, high in ((10, 20), (70, 90), (120, 150)):
        part = frames[:, (clean >= low) & (clean < high)]
        level, variance = part.mean(), part.var(axis=0).mean()
        assert variance == pytest.approx(level / 30 + 1.2**2 + 1 / 12, rel=0.05)
    off = frames - frames.mean(axis=0)
    off = off[:, clean < 250].reshape(40, -1)
    off /= off.std(axis=1, keepdims=True)
    alike = (off[:-1] * off[1:]).mean(axis=1)
    assert np.abs(alike + 1 / 40).max() < 0.02


def test_light_gain_contrast_and_blur_do_what_they_say() -> None:
    full, dim = (still(5, light=light, **BARE)[0].astype(float) for light in (1.0, 0.4))
    assert dim.mean() / full.mean() == pytest.approx(0.4, rel=0.02)
    raised = still(5, light=0.4, gain=2.5, glints=0)[0].astype(float)
    plain = still(5, glints=0)[0].astype(float)
    assert raised.mean() == pytest.approx(plain.mean(), rel=0.01)
    assert np.diff(raised[:40]).std() > 1.3 * np.diff(plain[:40]).std()
    _, true = still(5, **BARE)
    iris = (slice(int(true.y_px) - 2, int(true.y_px) + 3), slice(int(true.x_px) + 30, int(true.x_px) + 36))
    low = still(5, contrast=0.2, **BARE)[0][iris].mean()
    pupil = full[int(true.y_px), int(true.x_px)]
    assert (low - pupil) / (full[iris].mean() - pupil) == pytest.approx(0.2, abs=0.06)
    steep = [np.abs(np.diff(still(5, blur_px=blur, **BARE)[0].astype(float))).max() for blur in (0.5, 2.0)]
    assert steep[0] > 2 * steep[1]


def test_glints_are_small_saturated_and_can_be_left_out() -> None:
    image = still(7, pupil_mm=6.0, noise=0)[0]
    count, _, stats, _ = cv2.connectedComponentsWithStats((image >= 250).astype(np.uint8))
    assert count - 1 == 2  # two lamps
    assert stats[1:, cv2.CC_STAT_AREA].max() < 40
    assert still(7, pupil_mm=6.0, noise=0, glints=0)[0].max() < 250


def test_pupil_from_2_to_8_mm_may_open_off_centre() -> None:
    shifting = replace(draw_eye(3, "right"), pupil_shift_per_mm=(0.1, 0.0), kappa_temporal_deg=0.0)
    places = [still(pupil_mm=size, anatomy=shifting, **BARE)[1] for size in (2.0, 8.0)]
    assert places[1].major_px / places[0].major_px == pytest.approx(
        4.0, rel=0.05
    )  # the cornea's rim magnifies less
    small = [still(pupil_mm=size, anatomy=shifting, **BARE)[1] for size in (2.0, 4.0)]
    moved_mm = (small[1].x_px - small[0].x_px) * Camera().mm_per_px
    assert moved_mm == pytest.approx(2.0 * 0.1 * 1.13, rel=0.05)  # nasal: the image's right for a right eye


def test_lids_hide_the_share_that_the_picture_shows_hidden() -> None:
    for opening in (1.0, 0.6, 0.45, 0.35):
        image, true = still(10, pupil_mm=5.0, opening=opening, **BARE)
        whole = math.pi * true.major_px * true.minor_px
        y, x = np.mgrid[:240, :320]
        near = np.hypot(x - true.x_px, y - true.y_px) < true.major_px + 2
        assert (near & (image < 42)).sum() / whole == pytest.approx(true.visible_share, abs=0.05)
    assert still(10, opening=0.0)[1].visible_share == 0.0
    assert still(10, (0.0, -20.0, 0.0), opening=1.0)[1].visible_share > 0.9  # the lid follows the gaze


def test_pupil_outside_the_picture_is_not_visible() -> None:
    narrow = Camera(size_px=(160, 120), focal_px=900.0)
    assert still(1, (40.0, 0.0, 0.0), camera=narrow)[1].visible_share == pytest.approx(0.0, abs=0.02)


def test_smear_of_a_moving_eye_is_centred_and_as_long_as_the_movement() -> None:
    kernel = line_kernel(6.0, -3.0)
    y, x = np.mgrid[: kernel.shape[0], : kernel.shape[1]] - (kernel.shape[0] - 1) / 2
    assert kernel.sum() == pytest.approx(1.0)
    assert [(kernel * x).sum(), (kernel * y).sum()] == pytest.approx([0.0, 0.0], abs=1e-6)
    assert (kernel * x * x).sum() == pytest.approx(6.0**2 / 12, rel=0.15)
    painter = Painter(draw_eye(2, "right"), Camera(), Look(noise=0, glints=0, lashes=0))
    still_scene, moving = (painter.scene(EyeState(smear_horizontal_deg=smear)) for smear in (0.0, 3.0))
    true = painter.truth(EyeState())
    edge = (round(true.y_px), slice(round(true.x_px), round(true.x_px + 30)))
    assert np.abs(np.diff(moving[edge])).max() < 0.5 * np.abs(np.diff(still_scene[edge])).max()


@pytest.mark.parametrize("scene", SCENES)
def test_pictures_without_a_pupil(scene) -> None:
    image = without_pupil(scene, 3, Camera(size_px=(160, 120)))
    assert image.shape == (120, 160)
    assert image.dtype == np.uint8
    assert (image != without_pupil(scene, 4, Camera(size_px=(160, 120)))).mean() > 0.2


def test_shut_lids_hide_every_dark_disc() -> None:
    image = cv2.GaussianBlur(without_pupil("shut", 6), (0, 0), 6)
    assert image.min() > 50  # lashes alone, no pupil's worth of darkness


def test_a_camera_that_compresses_takes_the_noise_and_leaves_the_eye() -> None:
    """Blocks of 8 px within a pupil, its noise of SD 1 (0.9 read, 9 levels / 40 of light), at quality 70.

    By hand: the least step of a block's wave is then 6 (0.6 x 10, Annex K's table of ITU-T T.81, 1992; from
    memory), and noise of SD 1 hardly ever makes the half of it; the mean comes in steps of 10 / 8 levels and
    is rounded to whole ones.
    """
    look = {"glints": 0.0, "lashes": 0.0}
    plain, true = still(4, pupil_mm=6.0, **look)
    coded, _ = still(4, pupil_mm=6.0, camera=Camera(jpeg_quality=70), **look)
    x, y = 8 * round(true.x_px / 8), 8 * round(true.y_px / 8)
    blocks = [im[y - 16 : y + 16, x - 16 : x + 16].reshape(4, 8, 4, 8).astype(float) for im in (plain, coded)]
    spread = [np.mean(np.std(part, axis=(1, 3))) for part in blocks]
    assert spread[0] == pytest.approx(1.0, abs=0.15)
    assert spread[1] < 0.4
    means = [part.mean(axis=(1, 3)) for part in blocks]
    assert np.abs(means[0] - means[1]).max() <= 0.5 * 10 / 8 + 0.5


def test_a_gaze_that_is_not_a_number_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot be painted"):
        still(1, (float("nan"), 0.0, 0.0))


def test_extreme_gaze_and_camera_still_paint() -> None:
    for seed, gaze_deg in enumerate(((40, 30, 20), (-40, -30, -20), (40, -30, 0), (-40, 30, 0))):
        image, _ = still(seed, gaze_deg, 9.0, Camera(azimuth_temporal_deg=30, elevation_deg=-30))
        assert image.std() > 5
