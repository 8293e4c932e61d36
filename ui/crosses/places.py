"""Where each cross stands on a wall or ceiling, so that it is seen under its angle.

Fick angles (h, v) of a point x to the right and y above the centre of a flat wall at the distance d:

    tan h = x / d,    tan v = y / sqrt(x^2 + d^2)

seen from the root of the nose, half-way between the eyes.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

VERTICAL_DEG = 10.0  # lids hide the pupil farther down, lashes farther up (clinical 3.3 asks for 10)
ANGLES_DEG = (10.0, 15.0)  # to the sides (clinical 3.3)
NEAREST_M, FARTHEST_M = 0.3, 6.0  # nearer the eyes turn in, farther no wall of a room is
CROSS_DEG, LINE_DEG = 1.5, 0.15  # length and thickness of its arms: seen without glasses, and fine enough

Surface = Literal["wall", "ceiling"]


class Cross(NamedTuple):
    """One cross; millimetres from the centre, to the patient's right and up."""

    horizontal_deg: float
    vertical_deg: float
    x_mm: float
    y_mm: float

    @property
    def name(self) -> str:
        """Such as "right and up"; the patient's own right."""
        return name_of(self.horizontal_deg, self.vertical_deg)


def name_of(horizontal_deg: float, vertical_deg: float) -> str:
    """A direction in words, the patient's own: "centre", "left", "right and up"."""
    side = "right" if horizontal_deg > 0 else "left" if horizontal_deg < 0 else ""
    height = "up" if vertical_deg > 0 else "down" if vertical_deg < 0 else ""
    return " and ".join(word for word in (side, height) if word) or "centre"


def points_deg(angle_deg: float) -> tuple[tuple[float, float], ...]:
    """(horizontal, vertical) of all nine: the centre, along the axes, then the corners."""
    h, v = angle_deg, VERTICAL_DEG
    return ((0, 0), (h, 0), (-h, 0), (0, v), (0, -v), (h, v), (-h, v), (h, -v), (-h, -v))


def crosses(distance_m: float, angle_deg: float = ANGLES_DEG[0]) -> tuple[Cross, ...]:
    """All nine for this distance. Raises ValueError for a distance that no wall can have."""
    if not NEAREST_M <= distance_m <= FARTHEST_M:
        raise ValueError(
            f"the distance is {distance_m:g} m; crosses are made for {NEAREST_M:g} to {FARTHEST_M:g} m "
            "between the eyes and the wall. Measure it in metres, such as 1.2"
        )
    return tuple(_cross(distance_m * 1000, *point) for point in points_deg(angle_deg))


def _cross(distance_mm: float, horizontal_deg: float, vertical_deg: float) -> Cross:
    x_mm = distance_mm * math.tan(math.radians(horizontal_deg))
    y_mm = math.hypot(x_mm, distance_mm) * math.tan(math.radians(vertical_deg))
    return Cross(horizontal_deg, vertical_deg, x_mm, y_mm)
