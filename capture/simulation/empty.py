"""Pictures in which no pupil is to be found: shut lids, skin, a brow, a room, a screen, darkness."""

from __future__ import annotations

from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.samples import Eye
from capture.simulation import texture
from capture.simulation.anatomy import draw_eye
from capture.simulation.camera import Camera
from capture.simulation.painter import LEVELS
from capture.simulation.sensor import BANK_SIZE, expose
from capture.simulation.still import still
from capture.simulation.surroundings import brow, light_falloff
from capture.simulation.texture import Picture

Scene = Literal["shut", "skin", "brow", "room", "screen", "dark"]
SCENES: tuple[Scene, ...] = get_args(Scene)


def without_pupil(
    scene: Scene, seed: int = 1, camera: Camera | None = None, *, eye: Eye = "right", light: float = 1.0
) -> NDArray[np.uint8]:
    """One noisy picture (height, width) with no pupil in it; another seed gives another one."""
    camera = camera or Camera()
    if scene == "shut":
        return still(seed, (0.0, -8.0, 0.0), camera=camera, eye=eye, opening=0.0, light=light)[0]
    rng, anatomy = np.random.default_rng([seed, 31]), draw_eye(seed, eye)
    width, height = camera.upright_size_px
    if scene == "brow":
        plain = brow(rng, camera, anatomy)
    elif scene == "skin":
        patch = texture.skin_map(rng, (width * camera.mm_per_px, height * camera.mm_per_px), camera.mm_per_px)
        plain = anatomy.skin_reflectance * cv2.resize(patch, (width, height))
    else:
        plain = {"room": _room, "screen": _screen, "dark": _dark}[scene](rng, (height, width))
    blurred = np.asarray(cv2.GaussianBlur(plain.astype(np.float32), (0, 0), camera.blur_px), np.float32)
    bank = rng.standard_normal(BANK_SIZE).astype(np.float32)
    falloff = light_falloff(anatomy, camera) if scene in ("skin", "brow") else np.ones_like(blurred)
    levels = expose(
        blurred, falloff, bank, np.uint64(seed), LEVELS * light, 1 / camera.electrons_per_level,
        camera.read_noise_levels,
    )  # fmt: skip
    return camera.deliver(levels)


def _room(rng: np.random.Generator, shape: tuple[int, int]) -> Picture:
    """A wall with furniture: plain quadrangles, some dark, and soft shadows."""
    height, width = shape
    picture = 0.35 + 0.06 * texture.noise_field(rng, shape, (2, 3))
    for _ in range(int(rng.integers(5, 12))):
        corner = rng.uniform(-0.1, 1.0, 2) * (width, height)
        size = rng.uniform(0.08, 0.5, 2) * (width, height)
        skew = rng.uniform(-0.15, 0.15, (4, 2)) * size
        points = corner + np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * size + skew
        cv2.fillPoly(picture, [np.round(points).astype(np.int32)], float(rng.uniform(0.03, 0.8)), cv2.LINE_AA)
    return picture


def _screen(rng: np.random.Generator, shape: tuple[int, int]) -> Picture:
    """A screen with lines of text and a window's frame."""
    height, width = shape
    picture = np.full(shape, 0.75, np.float32)
    cv2.rectangle(picture, (0, 0), (width, height // 12), 0.3, -1)
    for y in range(height // 8, height - 8, max(8, height // 16)):
        x = 10
        while x < width - 20:
            word = int(rng.integers(6, 40))
            if rng.random() < 0.8:
                cv2.rectangle(picture, (x, y), (min(x + word, width - 10), y + 4), 0.15, -1)
            x += word + 6
    return picture


def _dark(rng: np.random.Generator, shape: tuple[int, int]) -> Picture:
    """Next to nothing: the lamps are off."""
    return np.asarray(0.01 + 0.002 * texture.noise_field(rng, shape, (2, 2)), np.float32)
