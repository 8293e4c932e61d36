"""All eight ways in which a camera may turn and mirror its picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from capture.direction import ROTATIONS, picture_middle
from capture.profile import EyeView

SIZE_PX = (320, 240)
FLIPS = [
    EyeView("right", mirrored=mirrored, rotation_deg=turn) for mirrored in (False, True) for turn in ROTATIONS
]


def delivered(view: EyeView, upright_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """The picture that `view` describes: what brings it upright, undone."""
    x, y = upright_px.T
    for _ in range(view.rotation_deg // 90):  # clockwise: up goes right
        x, y = -y, x
    return np.column_stack((-x if view.mirrored else x, y)) + picture_middle(SIZE_PX)
