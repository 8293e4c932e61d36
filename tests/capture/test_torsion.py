"""The iris' rotation in simulated stills whose torsion is known."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from capture.pupil import PupilFinder
from capture.pupil_checks import ERROR, QUALITY, X
from capture.samples import EYES, Eye
from capture.simulation.anatomy import draw_eye
from capture.simulation.camera import Camera
from capture.simulation.still import still
from capture.torsion import IrisReader, TorsionSettings
from capture.tracker import Tracker

SMALL_DEG = (-0.5, -0.3, -0.1, 0.1, 0.3, 0.5)


def rested(seed: int, frames: int = 9, **look: object) -> Tracker:
    """A tracker that has its reference of this eye, at zero torsion; whole after 24 frames."""
    tracker = Tracker()
    for number in range(frames):
        tracker.track(still(seed, number=number, **look)[0])  # type: ignore[arg-type]
    return tracker


def read(tracker: Tracker, seed: int, gaze_deg: tuple[float, float, float], **look: object) -> float:
    """Mean rotation of three pictures."""
    numbers = range(9000 + int(100 * gaze_deg[2]) * 3, 9000 + int(100 * gaze_deg[2]) * 3 + 3)
    pictures = [still(seed, gaze_deg, number=number, **look)[0] for number in numbers]  # type: ignore[arg-type]
    return float(np.mean([tracker.track(picture).rotation_deg for picture in pictures]))


def test_turns_below_half_a_degree_are_hardly_held_back_by_lids_and_lashes() -> None:
    slopes = []
    for seed in (1, 2, 3, 5, 8):
        tracker = rested(seed)
        found = [read(tracker, seed, (0.0, 0.0, turn)) for turn in SMALL_DEG]
        slopes.append(np.polyfit(SMALL_DEG, found, 1)[0])
    # seen from the front, the upper pole toward the patient's right turns from image y toward x
    assert np.median(slopes) == pytest.approx(-1.0, abs=0.03)
    assert slopes == pytest.approx([-1.0] * 5, abs=0.08)  # noise of 0.02 deg a picture is 0.02 of this


def small_picture(seed: int, turn_deg: float, number: int) -> NDArray[np.uint8]:
    """160x120, each pixel the mean of sixteen: a real one gathers light over its area."""
    fine, _ = still(
        seed, (0.0, 0.0, turn_deg), camera=Camera((640, 480), blur_px=3.0), noise=4.0, number=number
    )
    return np.asarray(cv2.resize(fine, (160, 120), interpolation=cv2.INTER_AREA), np.uint8)


def test_small_turns_in_a_small_picture_are_hardly_held_back() -> None:
    slopes = []
    for seed in (2, 4, 6, 9, 11):
        tracker = Tracker()
        for number in range(24):  # the whole reference at rest
            tracker.track(small_picture(seed, 0.0, number))
        found = [
            np.mean([tracker.track(small_picture(seed, turn, 90 + n)).rotation_deg for n in range(2)])
            for turn in SMALL_DEG
        ]
        slopes.append(np.polyfit(SMALL_DEG, found, 1)[0])
    # noise of 0.06 deg a picture is 0.05 of each slope
    assert np.mean(slopes) == pytest.approx(-1.0, abs=0.05)


@pytest.mark.parametrize("seed", [2, 4, 7])
def test_torsion_in_eccentric_gaze(seed: int) -> None:
    tracker, straight = rested(seed), still(seed)[1].rotation_deg
    around = np.radians(np.arange(0.0, 360.0, 45.0))
    errors = []
    for number, (angle, turn) in enumerate(zip(around, np.linspace(-5.0, 5.0, 8), strict=True)):
        gaze_deg = (17.0 * float(np.cos(angle)), 17.0 * float(np.sin(angle)), float(turn))
        picture, truth = still(seed, gaze_deg, number=500 + number)
        rotation_deg = tracker.track(picture).rotation_deg
        if truth.visible_share >= 0.9:
            errors.append((rotation_deg - truth.rotation_deg + straight + 180.0) % 360.0 - 180.0)
    assert len(errors) >= 6
    assert np.isfinite(errors).all()
    assert np.sqrt(np.mean(np.square(errors))) <= 0.15


@pytest.mark.parametrize("seed", [3, 6])
def test_an_iris_under_a_lid_is_read_rightly_or_withheld(seed: int) -> None:
    tracker, straight = rested(seed, frames=24), still(seed)[1].rotation_deg
    errors = []
    for number, opening in enumerate((0.75, 0.66, 0.62, 0.58, 0.54)):  # to half of the pupil
        picture, truth = still(seed, (0.0, 0.0, 2.0), opening=opening, number=30 + number)
        tracked = tracker.track(picture)
        assert np.isfinite(tracked.pupil.x_px)
        errors.append(tracked.rotation_deg - truth.rotation_deg + straight)
    assert np.isfinite(errors[0])
    assert np.isfinite(errors[1:3]).any()
    assert np.isnan(errors[-1])
    assert np.nanmax(np.abs(errors)) <= 0.25


@pytest.mark.parametrize("seed", [2, 4, 6])
def test_five_degrees_of_torsion_within_a_small_picture(seed: int) -> None:
    camera = Camera((160, 120))
    tracker = rested(seed, camera=camera)
    turns = np.array([-5.0, -2.0, 2.0, 5.0])
    found = np.array([read(tracker, seed, (1.0, 0.0, float(turn)), camera=camera) for turn in turns])
    assert np.polyfit(turns, found, 1)[0] == pytest.approx(-1.0, abs=0.05)


def test_order_of_frames_changes_nothing() -> None:
    tracker = rested(3)
    pictures = [still(3, (0.0, 0.0, turn), number=n)[0] for n, turn in enumerate(np.linspace(-3, 3, 8))]
    forward = [tracker.track(picture).rotation_deg for picture in pictures]
    back = [tracker.track(picture).rotation_deg for picture in reversed(pictures)]
    assert forward == pytest.approx(back[::-1], abs=0.01)  # where to look first is only a hint


@pytest.mark.parametrize("seed", [1, 3])
def test_light_and_a_wider_pupil_hardly_turn_the_iris(seed: int) -> None:
    tracker, straight = rested(seed), still(seed)[1].rotation_deg
    for number, (pupil_mm, light) in enumerate(((3.0, 1.0), (5.0, 0.6), (3.5, 1.4), (4.5, 1.0), (3.5, 0.6))):
        picture, truth = still(seed, pupil_mm=pupil_mm, light=light, number=70 + number)
        rotation_deg = tracker.track(picture).rotation_deg
        assert rotation_deg == pytest.approx(truth.rotation_deg - straight, abs=0.1)


def test_another_eye_is_withheld() -> None:
    tracker = rested(1)
    for number in range(20, 26):
        tracked = tracker.track(still(7, number=number)[0])
        assert tracked.pupil.quality > 0.6
        assert np.isnan(tracked.rotation_deg)
        assert tracked.torsion_quality < 0.3


@pytest.mark.parametrize("seed", [3, 5, 12])
def test_lashes_and_lids_over_an_iris_without_pattern_are_no_torsion(seed: int) -> None:
    """Dark as well; what stays with the head would be read as an eye that does not turn."""
    camera = Camera(azimuth_temporal_deg=15, elevation_deg=-15, jpeg_quality=80 if seed % 2 else None)
    bare = replace(draw_eye(seed, "right"), iris_contrast=0.0)
    tracker, found = Tracker(), []
    for number, turn in enumerate([0.0] * 24 + [-4.0, -2.0, 2.0, 4.0] * 2):
        tracked = tracker.track(
            still(seed, (0, 0, turn), camera=camera, anatomy=bare, contrast=0.2, opening=0.9, number=number)[
                0
            ]
        )
        assert np.isfinite(tracked.pupil.x_px)
        found.append(tracked.rotation_deg)
    assert np.isnan(found[24:]).all()


def test_a_range_beyond_the_ring_is_refused() -> None:
    with pytest.raises(ValueError, match="range_deg must be below 32"):
        IrisReader(TorsionSettings(range_deg=40))


def test_a_mirrored_camera_turns_the_other_way() -> None:
    """The same pictures from left to right: from image y toward x instead of from x toward y."""
    turns = np.array([-4.0, -1.5, 1.5, 4.0])
    pictures = [still(5, number=n)[0] for n in range(9)]
    pictures += [still(5, (3.0, -2.0, float(turn)), number=40 + n)[0] for n, turn in enumerate(turns)]
    plain, mirrored = Tracker(), Tracker()
    one = np.array([plain.track(picture).rotation_deg for picture in pictures])[-4:]
    other = np.array([mirrored.track(np.ascontiguousarray(p[:, ::-1])).rotation_deg for p in pictures])[-4:]
    assert np.polyfit(turns, one, 1)[0] == pytest.approx(-1.0, abs=0.05)
    assert other == pytest.approx(-one, abs=0.1)


@pytest.mark.parametrize("seed", [2, 5, 8])
def test_an_inexact_pupil_hardly_turns_the_iris(seed: int) -> None:
    """The outline's centre .15 px off in eight directions, its stretch, shear and size by as much.

    Without a lid a shear of the outline by s turns its middle cells by up to s / radius, here 0.3 deg and
    more, and a fit of the turn alone takes much of it (0.2 to 0.4 deg on these eyes).
    """
    finder, reader = PupilFinder(), IrisReader(TorsionSettings())
    for number in range(24):
        picture = still(seed, number=number, opening=0.9)[0]
        finder.find(picture)
        reader.read(picture, finder.outline)
    picture = still(seed, number=90, opening=0.9)[0]
    finder.find(picture)
    exact_deg, _ = reader.read(picture, finder.outline)
    angles = np.radians(np.arange(0, 360, 45))
    moved = [(0.15 * np.cos(a), 0.15 * np.sin(a), 0.0, 0.0, 0.0) for a in angles]
    moved += [(0, 0, 0.15, 0, -0.15), (0, 0, 0, 0.15, 0), (0, 0, 0.15, 0, 0.15)]
    found = [reader.read(picture, finder.outline + np.pad(m, (0, finder.outline.size - 5)))[0] for m in moved]
    assert np.isfinite(found).all()
    assert np.abs(np.array(found) - exact_deg).max() < 0.1


def test_a_pupil_too_poor_for_the_reference_is_read_once_eight_pictures_are_in_it() -> None:
    finder, reader = PupilFinder(), IrisReader(TorsionSettings())
    straight = still(4)[1].rotation_deg
    for number in range(8):
        picture, _ = still(4, (0.0, 0.0, 1.0), number=100 + number)
        finder.find(picture)
        poor = finder.outline.copy()
        poor[QUALITY] = 0.5
        assert np.isnan(reader.read(picture, poor)[0])
        picture = still(4, number=number)[0]
        finder.find(picture)
        assert np.isfinite(reader.read(picture, finder.outline)[0])
    for number in range(30):  # as often as it is read, it is never laid into the reference
        picture, truth = still(4, (0.0, 0.0, 1.0), number=100 + number)
        finder.find(picture)
        poor = finder.outline.copy()
        poor[QUALITY] = 0.5
        assert reader.read(picture, poor)[0] == pytest.approx(truth.rotation_deg - straight, abs=0.12)


@pytest.mark.parametrize("seed", [2, 5, 8])
def test_a_pupil_that_says_how_inexact_it_is_turns_the_iris_less(seed: int) -> None:
    finder, reader = PupilFinder(), IrisReader(TorsionSettings())
    for number in range(24):
        picture = still(seed, number=number, opening=0.9)[0]
        finder.find(picture)
        reader.read(picture, finder.outline)
    exact_deg, _ = reader.read(picture, finder.outline)
    off = {}
    for error_px in (0.0, 0.4):
        found = []
        for moved_px in (-0.4, 0.4):
            outline = finder.outline.copy()
            outline[X] += moved_px
            outline[ERROR] = error_px
            found.append(reader.read(picture, outline)[0] - exact_deg)
        off[error_px] = np.abs(found).max()
    assert off[0.4] < off[0.0]
    assert off[0.4] < 0.2  # 0.4 px of some 20 px are 1.1 deg along the pupil's edge


@pytest.mark.parametrize("side", EYES)
@pytest.mark.parametrize("seed", [3, 6, 7])
def test_a_pupil_that_widens_off_centre_hardly_turns_the_iris(seed: int, side: Eye) -> None:
    """0.05 mm toward the nose and down for each mm, from 3 to 6 mm: the most of `draw_eye`."""
    eye = replace(draw_eye(seed, side), pupil_shift_per_mm=(0.05, -0.05))
    tracker = Tracker()
    for number in range(24):
        tracker.track(still(seed, pupil_mm=3.0, anatomy=eye, number=number)[0])
    straight = still(seed, pupil_mm=3.0, anatomy=eye)[1].rotation_deg
    errors = []
    for number in range(6):
        picture, truth = still(seed, pupil_mm=6.0, anatomy=eye, number=90 + number)
        errors.append(tracker.track(picture).rotation_deg - truth.rotation_deg + straight)
    assert abs(np.mean(errors)) <= 0.1
