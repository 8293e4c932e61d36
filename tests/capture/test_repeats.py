from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from capture.repeats import TILES, Repeats, compare

Image = NDArray[np.uint8]


def exposures(count: int, noise: float = 2.0, size: tuple[int, int] = (240, 320)) -> list[Image]:
    """One scene, an uneven grey with a dark disc, exposed again and again with new noise."""
    random = np.random.default_rng(5)
    y, x = np.mgrid[: size[0], : size[1]].astype(np.float32)
    scene = 110 + 40 * np.sin(x / 17) * np.cos(y / 23) + 20 * np.sin((x + y) / 5)
    scene[(x - size[1] / 2) ** 2 + (y - size[0] / 2) ** 2 < 40**2] = 20
    return [
        np.clip(scene + random.normal(0, noise, size), 0, 255).round().astype(np.uint8) for _ in range(count)
    ]


def sent(image: Image, quality: int) -> Image:
    """What is left of a picture after JPEG."""
    packet = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return cv2.imdecode(packet, cv2.IMREAD_GRAYSCALE)


def flags(images: list[Image]) -> list[bool]:
    repeats = Repeats()
    for image in images:
        image.setflags(write=False)
    return [repeats.is_repeat(image) for image in images]


def test_exact_copies() -> None:
    first, second = exposures(2)
    assert flags([first, first.copy(), second, second.copy(), second.copy()]) == [
        False, True, False, True, True,
    ]  # fmt: skip


@pytest.mark.parametrize("quality", [80, 85, 88, 90])
def test_copies_that_were_encoded_anew(quality: int) -> None:
    """The first copy of a stream is not known, all others are."""
    stream = [sent(image, q) for image in exposures(30) for q in (90, quality)]
    found = flags(stream)
    assert found[4::2] == [False] * 28
    assert found[5::2] == [True] * 28


@pytest.mark.parametrize("copies", [3, 4])
def test_a_picture_sent_several_times_with_changing_quality(copies: int) -> None:
    stream = [sent(image, 90 - 3 * k) for image in exposures(15) for k in range(copies)]
    truth = [k > 0 for _ in range(15) for k in range(copies)]
    assert flags(stream)[2 * copies :] == truth[2 * copies :]


@pytest.mark.parametrize("quality", [60, 75, 85, 95])
@pytest.mark.parametrize("noise", [1.0, 2.0, 4.0])
def test_an_eye_that_stands_still_is_not_frozen(noise: float, quality: int) -> None:
    assert not any(flags([sent(image, quality) for image in exposures(60, noise)]))


def test_light_that_goes_down_is_no_freeze() -> None:
    """Less light, less noise: smaller differences that are still new exposures."""
    bright = exposures(40)
    dark = [(image * 0.4).astype(np.uint8) for image in exposures(40, noise=1.5)]
    assert not any(flags([sent(image, 90) for image in bright + dark]))


def test_a_step_of_the_whole_picture_is_no_freeze() -> None:
    still = [sent(image, 90) for image in exposures(40)]
    moved = [sent(np.roll(image, (9, 13), (0, 1)), 90) for image in exposures(40)[::-1]]
    assert not any(flags(still + moved))


@pytest.mark.parametrize("grey", [0, 250])
def test_a_stream_that_begins_in_the_dark_or_with_a_flash_is_not_frozen(grey: int) -> None:
    """As cameras do that adjust themselves: the first pictures are of another light."""
    first = [np.full((240, 320), grey, np.uint8) for _ in range(3)]
    found = flags([sent(image, 90) for image in (*first, *exposures(60))])
    assert found[1:3] == [True, True]
    assert not any(found[3 + 9 :])


def test_pictures_without_noise_are_told_apart_by_what_moves() -> None:
    images = []
    for k in range(10):
        image = np.full((240, 320), 120, np.uint8)
        cv2.circle(image, (150 + k, 120), 30, 20, -1)
        images += [image, image.copy()]
    assert flags(images) == [False, True] * 10


def test_a_freeze_is_noticed_from_its_first_copy_and_its_end_too() -> None:
    images = [sent(image, 90) for image in exposures(60)]
    frozen = [sent(images[29], 85 - k % 3) for k in range(30)]
    found = flags(images[:30] + frozen + images[30:])
    assert found == [False] * 30 + [True] * 30 + [False] * 30


def test_another_size_begins_anew() -> None:
    small = exposures(2, size=(60, 80))
    assert flags([*exposures(2), *small, small[-1].copy()]) == [False] * 4 + [True]


def test_difference_and_correlation_of_tiles_by_hand() -> None:
    """Tiles of 2 x 2, of which the upper row is looked at; before, all is 100.

    First tile: 102 and 106 after 101 and 103: 2 and 6 against 1 and 3, apart by 1 and 3, in step. Second: 2
    and 6 against 3 and 1: apart by 1 and 5, opposite. Third: 2 and 6 against 4 and 4, which have no scatter.
    """
    before = np.full((2 * TILES, 2 * TILES), 100, np.uint8)
    image, last = before.copy(), before.copy()
    image[0, :6] = (102, 106, 102, 106, 102, 106)
    last[0, :6] = (101, 103, 103, 101, 104, 104)
    image[1] = 7  # a row that is not looked at
    apart, correlation = compare(image, last, before)
    assert apart.tolist() == [2.0, 3.0, 2.0] + [0.0] * (TILES * TILES - 3)
    assert correlation[:2] == pytest.approx([1.0, -1.0])
    assert np.isnan(correlation[2:]).all()
