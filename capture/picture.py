"""A camera's picture as one grey plane: how a JPEG is opened, and how colour is noticed."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

COLOUR_TOLERANCE = 3  # grey levels between channels that rounding may cause; more is a colour picture
JPEG_START, JPEG_END = b"\xff\xd8\xff", b"\xff\xd9"


class ColourPictureError(ValueError):
    """The channels of a picture differ: the camera sees visible light, or has no infrared light."""


def is_whole_jpeg(data: bytes) -> bool:
    """Whether bytes begin and end like a JPEG (padding after the end is allowed)."""
    return data.startswith(JPEG_START) and data.rstrip(b"\0").endswith(JPEG_END)


def decode_grey(data: bytes) -> NDArray[np.uint8] | None:
    """Open a JPEG or PNG as a read-only grey picture (height, width); None where it cannot be opened.

    Raises ColourPictureError when its channels differ by more than 3 grey levels.
    """
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    return None if picture is None else to_grey(picture)


def to_grey(picture: NDArray[Any]) -> NDArray[np.uint8]:
    """One read-only grey plane (height, width) of a grey (h, w) or blue-green-red (h, w, 3) uint8 picture.

    Raises ColourPictureError when the channels differ by more than 3 grey levels.
    """
    if picture.ndim == 3 and picture.shape[2] >= 3:
        blue, green, red = (cv2.extractChannel(picture, i) for i in range(3))
        apart = max(cv2.norm(green, other, cv2.NORM_INF) for other in (blue, red))
        if apart > COLOUR_TOLERANCE:
            raise ColourPictureError(f"the colour channels differ by {apart:.0f} grey levels")
        picture = cv2.cvtColor(picture[..., :3], cv2.COLOR_BGR2GRAY)
    grey = np.ascontiguousarray(picture.reshape(picture.shape[:2]), dtype=np.uint8)
    grey.setflags(write=False)
    return grey
