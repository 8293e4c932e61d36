"""Simulated pictures that vary as widely as homemade goggles do: eyes of many kinds, and none at all.

Every picture follows from its number, so that a failing one can be looked at again.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal, NamedTuple, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.simulation.anatomy import draw_eye
from capture.simulation.camera import Camera
from capture.simulation.empty import SCENES, Scene, without_pupil
from capture.simulation.painter import PictureTruth
from capture.simulation.sensor import compressed
from capture.simulation.still import still

Kind = Literal["usual", "dark", "dark iris", "large glint", "lid", "borders"]
KINDS: tuple[Kind, ...] = get_args(Kind)
SIZES = ((160, 120), (200, 200), (320, 240), (640, 480))
# In 23 people the outline of the pupil left a circle by 0.0166 of its radius on average; an ellipse explained
# about half: 0.0166 x sqrt(1 / 2) (Wyatt, Vision Res 1995;35:2021, abstract).
LIVING = 0.0117


class Shown(NamedTuple):
    """A picture of an eye and what is true of it."""

    kind: Kind
    image: NDArray[np.uint8]
    truth: PictureTruth
    contrast: float  # grey levels between pupil and iris, before noise


def any_camera(rng: np.random.Generator) -> Camera:
    """A camera up to 30 deg off the eye's axis whose picture shows 24 to 42 mm; noise over a factor of 4."""
    size = SIZES[rng.integers(len(SIZES))]
    off_axis_deg, around = rng.uniform(0, 30), rng.uniform(0, 2 * np.pi)
    return Camera(
        size_px=size,
        azimuth_temporal_deg=float(off_axis_deg * np.cos(around)),
        elevation_deg=float(off_axis_deg * np.sin(around)),
        roll_deg=float(rng.uniform(-12, 12)),
        focal_px=float(50.0 * size[0] / rng.uniform(24, 42)),
        mirrored=bool(rng.random() < 0.5),
        blur_px=float(rng.uniform(0.6, 1.3) * np.sqrt(size[0] / 320)),
        electrons_per_level=float(10.0 * 4 ** rng.uniform(0, 2)),
        read_noise_levels=float(0.6 * 4 ** rng.random()),
        leds_mm=tuple((float(x), float(y)) for x, y in rng.uniform(-10, 10, (int(rng.integers(1, 5)), 2))),
    )


def empty_picture(number: int, jpeg: int | None = None) -> tuple[Scene, NDArray[np.uint8]]:
    """One picture without a pupil; the scenes take turns."""
    rng, scene = np.random.default_rng([number, 8]), SCENES[number % len(SCENES)]
    camera = replace(any_camera(rng), jpeg_quality=jpeg)
    return scene, without_pupil(scene, number, camera, light=float(rng.uniform(0.25, 1.4)))


def eye_picture(number: int, shape: float = 0.0, jpeg: int | None = None) -> Shown:
    """One picture of an eye; the kinds take turns. shape: see `out_of_round`; 0 an exact ellipse.

    jpeg: quality of the compression, of all that is painted; None: not compressed.
    """
    rng, kind = np.random.default_rng([number, 9]), KINDS[number % len(KINDS)]
    camera, eye = any_camera(rng), draw_eye(number, "right" if rng.random() < 0.5 else "left")
    light = float(rng.uniform(0.15, 0.3) if kind == "dark" else rng.uniform(0.5, 1.5))
    span = LEVELS_IN_LIGHT * light * (eye.iris_reflectance - eye.pupil_reflectance)
    wanted = float(rng.uniform(5, 10) if kind == "dark iris" else max(span * rng.uniform(0.5, 1.0), 10.0))
    image, truth = still(
        number, (float(rng.uniform(-18, 18)), float(rng.uniform(-12, 12)), float(rng.uniform(-5, 5))),
        float(rng.uniform(1.5, 9.0)), camera, anatomy=eye, light=light,
        opening=float(rng.uniform(0.5, 0.75) if kind == "lid" else rng.uniform(0.85, 1.1)),
        contrast=min(wanted / span, 1.0), lashes=float(rng.uniform(0, 1.1)), number=number,
    )  # fmt: skip
    if shape > 0 and np.isfinite(truth.x_px):
        image = out_of_round(image, truth, number, shape)
    if kind == "large glint":
        image = _with_glint(rng, image, truth)
    if kind == "borders":
        left, right = (int(rng.uniform(0.02, 0.14) * image.shape[1]) for _ in range(2))
        image[:, :left], image[:, image.shape[1] - right :] = 0, 0
    image = image if jpeg is None else compressed(image, jpeg)
    return Shown(kind, image, truth, min(wanted, span))


LEVELS_IN_LIGHT = 255.0


def out_of_round(image: NDArray[np.uint8], truth: PictureTruth, seed: int, shape: float) -> NDArray[np.uint8]:
    """The picture with a pupil's edge, and what is about it, pushed off its ellipse by `shape` radii (RMS).

    Most of what a living pupil is off a circle was made by the first 4 or 5 harmonics (Wyatt 1995, above).
    """
    rng = np.random.default_rng(seed)
    waves = np.arange(3, 7)
    share = rng.standard_normal(4) / waves
    share *= shape / np.sqrt(np.sum(share**2) / 2)
    y, x = np.mgrid[: image.shape[0], : image.shape[1]].astype(np.float32)
    x, y = x - truth.x_px, y - truth.y_px
    around = np.arctan2(y, x)[..., None] * waves + rng.uniform(0, 2 * np.pi, 4)
    near = np.exp(-(((np.hypot(x, y) / truth.major_px - 1) / 0.35) ** 2))
    shrunk = 1 / (1 + near * (np.cos(around) @ share))
    places = (truth.x_px + x * shrunk).astype(np.float32), (truth.y_px + y * shrunk).astype(np.float32)
    return cv2.remap(image, *places, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE).astype(np.uint8)


def _with_glint(rng: np.random.Generator, image: NDArray[np.uint8], truth: PictureTruth) -> NDArray[np.uint8]:
    """One large saturated reflection across the pupil's edge, where there is a pupil."""
    if not np.isfinite(truth.x_px):
        return image
    angle, turn = rng.uniform(0, 2 * np.pi), np.radians(truth.angle_deg)
    along, across = truth.major_px * np.cos(angle), truth.minor_px * np.sin(angle)
    x = truth.x_px + along * np.cos(turn) - across * np.sin(turn)
    y = truth.y_px + along * np.sin(turn) + across * np.cos(turn)
    spot = np.zeros(image.shape, np.float32)
    radius = rng.uniform(0.15, 0.4) * truth.major_px
    cv2.circle(spot, (round(x * 8), round(y * 8)), round(radius * 8), 400.0, -1, cv2.LINE_AA, 3)
    spot = cv2.GaussianBlur(spot, (0, 0), max(0.8, 0.08 * radius))
    return np.clip(image + spot, 0, 255).astype(np.uint8)
