from __future__ import annotations

from capture.samples import NAN
from recordings.camera_watch import Look
from recordings.crop import crop_around


def looks(x_px: float, y_px: float, major_px: float = 10.0, count: int = 50) -> list[Look]:
    return [Look(n / 50, 100.0, x_px, y_px, major_px) for n in range(count)]


def test_it_holds_the_eye_with_its_margin() -> None:
    """14 mm at 0.1 mm/px are 140 px to each side of (300, 200): from 160, 60, 280 wide and high."""
    assert crop_around([looks(300, 200)], (640, 480), 0.1) == (160, 60, 280, 280)


def test_without_a_scale_the_pupil_gives_it() -> None:
    """8 semi-axes of 10 px: 80 px to each side."""
    assert crop_around([looks(300, 200)], (640, 480), None) == (220, 120, 160, 160)


def test_it_stays_in_the_picture() -> None:
    assert crop_around([looks(20, 470)], (640, 480), None) == (0, 390, 104, 90)


def test_two_eyes_in_one_picture_are_both_in_it() -> None:
    assert crop_around([looks(150, 200), looks(450, 220)], (640, 480), None) == (70, 120, 464, 184)


def test_an_eye_that_is_hardly_seen_keeps_the_whole_picture() -> None:
    assert crop_around([looks(300, 200, count=14)], (640, 480), 0.1) is None
    assert crop_around([[Look(0, 1, NAN, NAN, NAN)] * 90], (640, 480), 0.1) is None


def test_an_eye_that_fills_the_picture_needs_no_crop() -> None:
    assert crop_around([looks(160, 120, 40)], (320, 240), None) is None
