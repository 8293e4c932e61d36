from __future__ import annotations

import cv2
import numpy as np
import pytest

from capture.picture import ColourPictureError, decode_grey, is_whole_jpeg, to_grey
from tests.capture.videos import jpegs, pictures


@pytest.mark.parametrize("channel", [0, 1, 2])
@pytest.mark.parametrize("difference", [-4, -3, 3, 4])
def test_channels_may_differ_by_three_grey_levels(channel: int, difference: int) -> None:
    picture = np.full((48, 64, 3), 100, np.uint8)
    picture[20, 30, channel] += np.array(difference, np.int8).view(np.uint8)
    if abs(difference) > 3:
        with pytest.raises(ColourPictureError, match="4 grey levels"):
            to_grey(picture)
    else:
        assert abs(int(to_grey(picture)[20, 30]) - 100) <= 3


def test_three_equal_channels_give_exactly_that_grey() -> None:
    grey = np.arange(256, dtype=np.uint8).reshape(16, 16)
    assert np.array_equal(to_grey(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)), grey)


def test_one_channel_stays_as_it_is() -> None:
    grey = pictures(1)[0]
    for picture in (grey, grey[..., None]):
        assert np.array_equal(to_grey(picture), grey)


def test_an_opened_picture_has_its_shape_and_cannot_be_written_to() -> None:
    image = decode_grey(jpegs(1)[0])
    assert image is not None
    assert image.shape == (48, 64)
    assert not image.flags.writeable


@pytest.mark.parametrize("data", [b"", b"\xff\xd8\xff\xd9", b"junk", bytes(1000)])
def test_what_cannot_be_opened_is_no_picture(data: bytes) -> None:
    if data:
        assert decode_grey(data) is None
    assert not is_whole_jpeg(data[:-1])


def test_a_whole_jpeg_may_be_padded() -> None:
    data = jpegs(1)[0]
    assert is_whole_jpeg(data)
    assert is_whole_jpeg(data + b"\0\0")
    assert not is_whole_jpeg(data[:-2])
