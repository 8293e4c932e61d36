"""What is said about a picture, on simulated eyes whose light, focus, lid and place are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from capture.picture_checks import NO_PUPIL_WORDS, picture_hints
from capture.profile import EyeView, Rotation
from capture.samples import SAMPLE_DTYPE, Tracked
from capture.simulation.camera import Camera
from capture.simulation.empty import without_pupil
from capture.simulation.still import still
from capture.tracker import Tracker

SEEDS = range(21, 25)  # the limits were looked at on 1 to 12
VIEW = EyeView("right")


def rows_of(tracked: Tracked, count: int = 60) -> NDArray[np.void]:
    """The last second of an eye that stays as it is."""
    rows = np.zeros(count, SAMPLE_DTYPE)
    names = ("x_px", "y_px", "major_px", "minor_px", "angle_deg", "visible_share", "pupil_quality")
    for name, value in zip(names, tracked.pupil, strict=True):
        rows[name] = value
    return rows


def hints(seed: int, **how: float) -> tuple[str, ...]:
    camera = Camera()
    image, _ = still(seed, camera=camera, **how)  # type: ignore[arg-type]
    return picture_hints(image, rows_of(Tracker().track(image)), camera.view("right"))


@pytest.mark.parametrize("seed", SEEDS)
def test_a_good_picture_needs_no_word(seed: int) -> None:
    assert hints(seed) == ()
    assert hints(seed, pupil_mm=2.5) == hints(seed, pupil_mm=6.0) == ()


@pytest.mark.parametrize("seed", SEEDS)
def test_light(seed: int) -> None:
    assert hints(seed, light=0.15)[0].startswith("Too dark")
    assert hints(seed, light=2.5)[0].startswith("Too bright")


@pytest.mark.parametrize("seed", SEEDS)
def test_focus(seed: int) -> None:
    assert any("focus" in text for text in hints(seed, blur_px=2.8))
    assert hints(seed, blur_px=1.2) == ()


@pytest.mark.parametrize("seed", SEEDS)
def test_a_low_lid(seed: int) -> None:
    """From two fifths of the pupil hidden to nearly all: the lid is named, pupil found or not."""
    asked = 0
    for opening in (0.65, 0.6, 0.55, 0.5, 0.45, 0.4):
        _, truth = still(seed, opening=opening)
        if 0.1 < truth.visible_share < 0.6:
            asked += 1
            assert "lid" in " ".join(hints(seed, opening=opening)), opening
    assert asked >= 2
    assert hints(seed, opening=0.9) == ()


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("rotation", [0, 90, 180, 270])
@pytest.mark.parametrize(
    ("shift_mm", "way"),
    [
        ((14.5, 0.0, 0.0), "to the patient's right"),  # the camera stands too far to the patient's left
        ((-14.5, 0.0, 0.0), "to the patient's left"),
        ((0.0, 10.0, 0.0), "down"),
        ((0.0, -10.0, 0.0), "up"),
    ],
)
def test_which_way_to_move_the_goggles_however_the_picture_is_turned(
    shift_mm: tuple[float, float, float], way: str, rotation: Rotation, mirrored: bool
) -> None:
    size = (320, 240) if rotation in (0, 180) else (240, 320)
    camera = replace(
        Camera(size_px=size, focal_px=480.0), mirrored=mirrored, rotation_deg=rotation, shift_mm=shift_mm
    )
    _, truth = still(21, camera=camera)
    rows = rows_of(Tracked((truth.x_px, truth.y_px, *truth[2:5], 1.0, 0.9), 0.0, 1.0))  # type: ignore[arg-type]
    image, _ = still(21, camera=camera)
    assert f"The pupil is near the border: move the goggles {way}." in picture_hints(
        image, rows, camera.view("right")
    )


def test_no_pupil() -> None:
    image = without_pupil("shut")
    assert picture_hints(image, rows_of(Tracker().track(image)), VIEW) == (NO_PUPIL_WORDS,)
    assert NO_PUPIL_WORDS in picture_hints(image, np.zeros(0, SAMPLE_DTYPE), VIEW)


def test_a_blink_needs_no_word() -> None:
    image, _ = still(21)
    rows = rows_of(Tracker().track(image))
    rows["pupil_quality"][10:28] = 0.0  # 0.3 s
    assert picture_hints(image, rows, VIEW) == ()


def test_only_the_part_of_the_eye_is_looked_at() -> None:
    """Two eyes in one picture: the other one burnt out."""
    image, _ = still(21)
    wide = np.hstack((image, np.full_like(image, 255)))
    rows = rows_of(Tracker().track(image))
    assert picture_hints(wide, rows, EyeView("right", (0, 0, 320, 240))) == ()
    rows["x_px"] += 320
    swapped = np.hstack((np.full_like(image, 255), image))
    assert picture_hints(swapped, rows, EyeView("left", (320, 0, 320, 240))) == ()
