"""What to change at the goggles so that an eye is seen well, in words, from one picture and the last second.

For the technician before a test: nothing here changes a sample or decides what is measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from capture.direction import upright
from capture.profile import EyeView
from capture.samples import NAN

Floats = NDArray[np.float64]
RAYS = 48
SAMPLES = 61  # along a ray, from 0.5 to 1.5 of the pupil's radius
WITHIN, BEYOND = 0.5, 1.5
NO_PUPIL_WORDS = "No pupil: lift the lid, move the goggles until it is in the middle, turn the focus."


@dataclass(frozen=True, slots=True)
class PictureLimits:
    """When a word is said. By thought; looked at on 12 simulated eyes, none chosen on a recording."""

    least_quality: float = 0.6  # of a pupil that counts, as in the analysis
    least_seen: float = 0.5  # share of the last second's pictures with a pupil; less is no blink
    least_visible: float = 0.7  # of the pupil: occlusion above 30 % is told (clinical.md 3.7)
    dark_level: float = 30.0  # mean grey level of 255
    bright_share: float = 0.08  # of the picture burnt out (reflections of lamps take under 2 %)
    bright_level: int = 250
    least_contrast: float = 15.0  # grey levels between pupil and iris
    widest_edge: float = 0.3  # of the pupil's radius, from 10 to 90 % of the step (usual: about 0.1)
    border: float = 0.04  # of the picture's width or height between pupil and border


class PictureLook(NamedTuple):
    """What one picture shows. NaN where there is no pupil to look at."""

    mean_level: float
    bright_share: float
    contrast: float  # grey levels from the pupil to the iris round it
    edge: float  # width of the pupil's edge, 10 to 90 %, in radii of the pupil


def picture_look(
    image: NDArray[np.uint8], row: np.void | None, limits: PictureLimits = PictureLimits()
) -> PictureLook:
    """Measure one picture (height, width) of an eye; `row`: its sample, None without one."""
    mean, bright = float(image.mean()), float(np.mean(image >= limits.bright_level))
    if row is None or not row["pupil_quality"] >= limits.least_quality:
        return PictureLook(mean, bright, NAN, NAN)
    profile = _edge_profile(image, row)
    inside, outside = float(profile[: SAMPLES // 4].mean()), float(profile[-SAMPLES // 4 :].mean())
    return PictureLook(mean, bright, outside - inside, _edge_width(profile, inside, outside))


def _edge_profile(image: NDArray[np.uint8], row: np.void) -> Floats:
    """(SAMPLES,) grey level across the pupil's outline, the median of all rays: lids and glints are few."""
    turn = np.linspace(0, 2 * np.pi, RAYS, endpoint=False)
    angle = np.radians(row["angle_deg"])
    along, across = row["major_px"] * np.cos(turn), row["minor_px"] * np.sin(turn)
    out_x = along * np.cos(angle) - across * np.sin(angle)
    out_y = along * np.sin(angle) + across * np.cos(angle)
    share = np.linspace(WITHIN, BEYOND, SAMPLES)[:, None]
    height, width = image.shape
    x = np.clip(row["x_px"] + share * out_x, 0, width - 1.001)
    y = np.clip(row["y_px"] + share * out_y, 0, height - 1.001)
    left, top = x.astype(int), y.astype(int)
    right, low = x - left, y - top
    level = (image[top, left] * (1 - right) + image[top, left + 1] * right) * (1 - low)
    level = level + (image[top + 1, left] * (1 - right) + image[top + 1, left + 1] * right) * low
    return np.median(level, axis=1)


def _edge_width(profile: Floats, inside: float, outside: float) -> float:
    """How far apart 10 and 90 % of the step lie, in radii; NaN without a step."""
    if not outside > inside:
        return NAN
    rising = np.maximum.accumulate((profile - inside) / (outside - inside))
    share = np.linspace(WITHIN, BEYOND, SAMPLES)
    low, high = (share[min(int(np.searchsorted(rising, at)), SAMPLES - 1)] for at in (0.1, 0.9))
    return float(high - low)


def picture_hints(
    image: NDArray[np.uint8],
    rows: NDArray[np.void],
    view: EyeView,
    limits: PictureLimits = PictureLimits(),
) -> tuple[str, ...]:
    """What to do at the goggles, the most urgent first; nothing where all is well.

    Args:
        image: (height, width) newest picture as delivered.
        rows: SAMPLE_DTYPE rows (n,) of the last second, the picture's own last.
        view: of this eye; its region is looked at, and directions are the patient's own.
        limits: when a word is said.
    """
    x, y, width, height = view.region_px or (0, 0, image.shape[1], image.shape[0])
    part = image[y : y + height, x : x + width]
    good = rows[rows["pupil_quality"] >= limits.least_quality]
    row = None
    if len(good):
        row = good[-1].copy()
        row["x_px"], row["y_px"] = row["x_px"] - x, row["y_px"] - y
    look = picture_look(part, row, limits)
    found = _light_words(look, limits)
    if len(good) < limits.least_seen * max(len(rows), 1):
        return (*found, NO_PUPIL_WORDS)
    if row is not None and (side := _border_word(row, view, (width, height), limits)):
        found.append(f"The pupil is near the border: move the goggles {side}.")
    if float(np.median(good["visible_share"])) < limits.least_visible:
        found.append("Lift the upper lid.")
    elif look.contrast < limits.least_contrast:
        found.append("Pupil and iris hardly differ: turn up the infrared light.")
    elif look.edge > limits.widest_edge:
        found.append("The picture is not sharp: turn the focus, wipe the lens.")
    return tuple(found)


def _light_words(look: PictureLook, limits: PictureLimits) -> list[str]:
    if look.mean_level < limits.dark_level:
        return ["Too dark: turn up the infrared light, or uncover the camera."]
    if look.bright_share > limits.bright_share:
        return ["Too bright: turn down the infrared light, or keep daylight off."]
    return []


def _border_word(row: np.void, view: EyeView, size_px: tuple[int, int], limits: PictureLimits) -> str:
    """Which way the goggles have to go, the patient's own right and left; empty where the pupil has room."""
    bare = EyeView(view.eye, None, view.mirrored, view.rotation_deg)
    ((across, down),) = upright(bare, np.array([[row["x_px"], row["y_px"]]]), size_px)
    wide, high = size_px if view.rotation_deg in (0, 180) else size_px[::-1]
    room = {
        "to the patient's right": wide / 2 + across - row["major_px"] - limits.border * wide,
        "to the patient's left": wide / 2 - across - row["major_px"] - limits.border * wide,
        "up": high / 2 + down - row["major_px"] - limits.border * high,
        "down": high / 2 - down - row["major_px"] - limits.border * high,
    }
    side = min(room, key=lambda name: room[name])
    return side if room[side] < 0 else ""
