"""Where the margins of the lids run in a picture."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from capture.simulation.anatomy import SimulatedEye

Floats = NDArray[np.float64]
BOWL_MM = 12.9  # the lids lie on a bowl a little outside the eyeball
UPPER_FOLLOWS = 0.85  # share of the vertical gaze that the upper lid takes part in (from memory)
LOWER_FOLLOWS = 0.35


class LidShape(NamedTuple):
    """The rest shape of both margins, from the lid corner at -x to the one at +x; arrays (n,) in mm."""

    x_mm: Floats
    corner_mm: Floats  # height of the straight line between the corners
    upper_arch: Floats  # 0 at the corners, 1 in the middle
    lower_arch: Floats
    upper_deg: float
    lower_deg: float


def lid_shape(eye: SimulatedEye) -> LidShape:
    """The lids of one eye; the corner toward the temple is a little higher and further out."""
    share = np.linspace(0, 1, 61)  # 0 at the temple, 1 at the nose
    arch = 4 * share * (1 - share)
    x_mm = eye.nasal_sign * (share - 0.53) * eye.fissure_mm
    order = np.argsort(x_mm)
    corner_mm = 1.2 - 2.2 * share
    return LidShape(
        x_mm[order],
        corner_mm[order],
        (arch**0.7)[order],
        (arch**0.85)[order],
        eye.lid_upper_deg,
        eye.lid_lower_deg,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def lid_margins(
    shape: LidShape,
    vertical_deg: float,
    opening: float,
    position: Floats,
    camera: Floats,
    focal: float,
    size: tuple[int, int],
) -> Floats:
    """(2, width) image y of the upper and the lower margin for each column; where they meet the eye is shut.

    `opening`: 1 as usual, 0 closed. Both lids follow the vertical gaze.
    """
    width, height = size
    cx, cy = (width - 1) / 2, (height - 1) / 2
    upper_mm = BOWL_MM * math.sin(math.radians(shape.upper_deg + UPPER_FOLLOWS * vertical_deg))
    lower_mm = BOWL_MM * math.sin(math.radians(shape.lower_deg + LOWER_FOLLOWS * vertical_deg))
    lower = shape.corner_mm + shape.lower_arch * (lower_mm - shape.corner_mm)
    opened = shape.corner_mm + shape.upper_arch * (upper_mm - shape.corner_mm)
    upper = lower + opening * np.maximum(opened - lower, 0.0)
    out = np.empty((2, width))
    columns = np.arange(width).astype(np.float64)
    for k, height_mm in enumerate((upper, lower)):
        depth_mm = np.sqrt(np.maximum(BOWL_MM**2 - 0.45 * shape.x_mm**2 - height_mm**2, 9.0))
        x, y, z = shape.x_mm - position[0], height_mm - position[1], depth_mm - position[2]
        along = camera[2, 0] * x + camera[2, 1] * y + camera[2, 2] * z
        across = cx + focal * (camera[0, 0] * x + camera[0, 1] * y + camera[0, 2] * z) / along
        down = cy + focal * (camera[1, 0] * x + camera[1, 1] * y + camera[1, 2] * z) / along
        for i in range(1, across.size):  # a corner hidden behind the bowl's edge must not fold back
            across[i] = max(across[i], across[i - 1] + 1e-6)
        out[k] = np.interp(columns, across, down)
    return out
