"""Which way is up: bringing a picture upright, and proving with known targets that it truly is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from capture.profile import EyeView, Rotation

Direction = Literal["proven", "contradicted", "unproven"]
ROTATIONS: tuple[Rotation, ...] = (0, 90, 180, 270)


@dataclass(frozen=True, slots=True)
class DirectionSettings:
    """Limits of the direction check."""

    # A mount's tilt; half-way to the next quarter turn is 45 (common practice).
    largest_roll_deg: float = 30.0
    least_span_deg: float = 3.0  # less than this between two looks drowns in fixation error (common practice)
    largest_stretch: float = 2.5  # of one axis against the other: a camera 60 deg off shortens one to a half
    largest_misfit: float = 0.35  # rms misfit over rms target distance: beyond, the eye did not follow


def picture_middle(size_px: tuple[int, int]) -> tuple[float, float]:
    """The middle of a picture of (width, height), pixel centres at integers."""
    return (size_px[0] - 1) / 2.0, (size_px[1] - 1) / 2.0


def upright(view: EyeView, xy_px: NDArray[np.float64], size_px: tuple[int, int]) -> NDArray[np.float64]:
    """(n, 2) positions as delivered -> from the picture's middle, mirrored and turned as `view` says."""
    x, y = np.moveaxis(xy_px - picture_middle(size_px), -1, 0)
    if view.mirrored:
        x = -x
    for _ in range(view.rotation_deg // 90):  # a quarter turn counter-clockwise: right goes up
        x, y = y, -x
    return np.stack((x, y), axis=-1)


def upright_angle_deg(view: EyeView, angle_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angles of directions (image x toward image y) as delivered -> in the upright picture."""
    return (180.0 - angle_deg if view.mirrored else angle_deg) - view.rotation_deg


def upright_rotation_deg(view: EyeView, rotation_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rotations of the iris between two pictures (image x toward image y) as delivered -> upright."""
    return -rotation_deg if view.mirrored else rotation_deg


class FlipFound(NamedTuple):
    """What the known targets say about the stated view."""

    direction: Direction
    view: EyeView  # that fits the targets; the stated one unless contradicted
    reason: str


def check_direction(
    view: EyeView,
    targets_deg: NDArray[np.float64],
    upright_px: NDArray[np.float64],
    settings: DirectionSettings = DirectionSettings(),
) -> FlipFound:
    """Compare where the pupil went with where the patient was told to look.

    Args:
        view: the view as stated, with which the positions were brought upright.
        targets_deg: (n, 2) horizontal, vertical.
        upright_px: (n, 2) mean pupil position on each target.
        settings: limits.

    The linear map from targets to positions has an orientation (mirrored or not) and a rotation (polar
    decomposition); of the 8 flips the nearest fits. A roll between two quarter turns proves nothing.
    """
    if len(targets_deg) < 3 or np.linalg.matrix_rank(targets_deg - targets_deg.mean(axis=0), tol=1e-6) < 2:
        return FlipFound("unproven", view, "the targets do not ask for a look along both axes")
    centred = targets_deg - targets_deg.mean(axis=0)
    across = math.sqrt(2.0) * float(
        np.linalg.svd(centred, compute_uv=False)[-1]
    )  # span of two opposite looks
    if across < settings.least_span_deg:
        return FlipFound("unproven", view, "the targets do not ask for a clear look along both axes")
    moved = upright_px - upright_px.mean(axis=0)
    linear, *_ = np.linalg.lstsq(centred * (-1.0, -1.0), moved, rcond=None)  # right and up are -x and -y
    misfit = float(np.sqrt(np.mean((moved + centred @ linear) ** 2) / max(np.mean(moved**2), 1e-12)))
    long, short = np.linalg.svd(linear, compute_uv=False)
    if misfit > settings.largest_misfit or long > settings.largest_stretch * short:
        return FlipFound("unproven", view, "the eye did not follow the targets")
    return _nearest(view, linear.T, settings)


def _nearest(view: EyeView, linear: NDArray[np.float64], settings: DirectionSettings) -> FlipFound:
    """The flip nearest to a linear map of (right, up) to (minus x, minus y)."""
    (a, b), (c, d) = linear
    mirrored = bool(a * d - b * c < 0.0)
    if mirrored:  # undo the mirroring: x changes its sign
        a, b = -a, -b
    turned_deg = math.degrees(math.atan2(c - b, a + d)) % 360.0  # x toward y: what a turn back must undo
    quarter = round(turned_deg / 90.0) % 4
    roll_deg = (turned_deg - 90.0 * quarter + 180.0) % 360.0 - 180.0
    if abs(roll_deg) > settings.largest_roll_deg:
        return FlipFound(
            "unproven", view, f"the eye moved {abs(roll_deg):.0f} deg aslant, between two quarter turns"
        )
    found = _after(view, mirrored, ROTATIONS[quarter])
    if found == view:
        return FlipFound("proven", view, "the eye moved as the targets asked")
    return FlipFound(
        "contradicted", found, f"the targets say: the picture is {words(found)}, not {words(view)}"
    )


def _after(view: EyeView, mirrored: bool, rotation_deg: int) -> EyeView:
    """The one view that does what `view` and then a mirroring and a turn would do."""
    turned = (rotation_deg - view.rotation_deg if mirrored else rotation_deg + view.rotation_deg) % 360
    return msgspec.structs.replace(
        view, mirrored=view.mirrored != mirrored, rotation_deg=ROTATIONS[turned // 90]
    )


def words(view: EyeView) -> str:
    """How a view's picture must be brought upright, in words."""
    turn = f"turned by {view.rotation_deg} deg" if view.rotation_deg else ""
    return (
        " and ".join(part for part in ("mirrored" if view.mirrored else "", turn) if part)
        or "as it should be"
    )
