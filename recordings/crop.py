"""The part of a picture around the eyes that is kept where space counts: fixed at the start, with a margin.

Samples always refer to the full picture; the place of the part is kept beside the pictures.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from recordings.camera_watch import Look
from recordings.info import Region

FEWEST_LOOKS = 15  # with a pupil, of each eye
HALF_MM = 14.0  # pupil 7.7 mm off at 40 deg of a 12 mm eye (clinical.md 3.4), and half an iris, from memory
# The same in pupil semi-axes of 1.75 mm, where the scale is not known; chosen by thought.
HALF_IN_PUPILS = 8.0
BLOCK_PX = 8  # a JPEG's block


def crop_around(
    looks: Sequence[Sequence[Look]], size_px: tuple[int, int], mm_per_px: float | None
) -> Region | None:
    """A part that holds each eye at any gaze, from `looks` of each eye in a picture of `size_px`.

    None where an eye was hardly seen or the part would be the whole picture.
    """
    left, top, right, bottom = math.inf, math.inf, -math.inf, -math.inf
    for eye in looks:
        seen = np.array([(look.x_px, look.y_px, look.major_px) for look in eye if look.pupil])
        if len(seen) < FEWEST_LOOKS:
            return None
        x, y, major = np.median(seen, axis=0)
        half = HALF_MM / mm_per_px if mm_per_px else HALF_IN_PUPILS * major
        left, top = min(left, x - half), min(top, y - half)
        right, bottom = max(right, x + half), max(bottom, y + half)
    x_px, y_px = max(int(left), 0), max(int(top), 0)
    width = min(math.ceil((right - x_px) / BLOCK_PX) * BLOCK_PX, size_px[0] - x_px)
    height = min(math.ceil((bottom - y_px) / BLOCK_PX) * BLOCK_PX, size_px[1] - y_px)
    return None if (width, height) == size_px else (x_px, y_px, width, height)
