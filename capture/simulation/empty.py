"""Pictures in which no pupil is to be found: shut lids, skin, brow, hair, lashes, a room, a screen, darkness.

A dark disc on something brighter is a pupil to whoever sees one picture only; none of these scenes holds one.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.samples import Eye
from capture.simulation import texture
from capture.simulation.anatomy import SimulatedEye, draw_eye
from capture.simulation.camera import Camera
from capture.simulation.painter import LEVELS
from capture.simulation.sensor import BANK_SIZE, expose
from capture.simulation.still import still
from capture.simulation.surroundings import brow, light_falloff
from capture.simulation.texture import Picture

Scene = Literal["shut", "skin", "brow", "hair", "lashes", "ceiling", "room", "screen", "dark"]
SCENES: tuple[Scene, ...] = get_args(Scene)


def without_pupil(
    scene: Scene, seed: int = 1, camera: Camera | None = None, *, eye: Eye = "right", light: float = 1.0
) -> NDArray[np.uint8]:
    """One noisy picture (height, width) with no pupil in it; another seed gives another one."""
    camera = camera or Camera()
    rng, anatomy = np.random.default_rng([seed, 31]), draw_eye(seed, eye)
    if scene == "shut":
        gaze, lashes = (0.0, float(rng.uniform(-25, 5)), 0.0), float(rng.uniform(0, 1.1))
        return still(seed, gaze, camera=camera, eye=eye, opening=0.0, light=light, lashes=lashes)[0]
    on_face = scene in _FACE
    if scene in _FACE:
        plain = _FACE[scene](rng, camera, anatomy)
    else:
        width, height = camera.upright_size_px
        plain = _PLACE[scene](rng, (height, width))
    blurred = np.asarray(cv2.GaussianBlur(plain.astype(np.float32), (0, 0), camera.blur_px), np.float32)
    falloff = light_falloff(anatomy, camera) if on_face else np.ones_like(blurred)
    bank = rng.standard_normal(BANK_SIZE).astype(np.float32)
    levels = expose(
        blurred, falloff, bank, np.uint64(seed), LEVELS * light, 1 / camera.electrons_per_level,
        camera.read_noise_levels,
    )  # fmt: skip
    return camera.deliver(levels)


def _skin(rng: np.random.Generator, camera: Camera, eye: SimulatedEye) -> Picture:
    """Skin close by: its pattern, the shape of the face as slow shading, now and then a fold."""
    width, height = camera.upright_size_px
    patch = texture.skin_map(rng, (width * camera.mm_per_px, height * camera.mm_per_px), camera.mm_per_px)
    picture = eye.skin_reflectance * cv2.resize(patch, (width, height))
    slow = texture.noise_field(rng, (height, width), (int(rng.integers(2, 5)), int(rng.integers(4, 7))))
    picture *= np.clip(1 + float(rng.uniform(0, 0.2)) * slow, 0.2, None)
    y, x = np.mgrid[:height, :width].astype(np.float32)
    for _ in range(int(rng.integers(0, 3))):
        angle, at = rng.uniform(0, np.pi), rng.uniform(0.2, 0.8, 2) * (width, height)
        across = (x - at[0]) * np.sin(angle) + (y - at[1]) * np.cos(angle)
        along = (x - at[0]) * np.cos(angle) - (y - at[1]) * np.sin(angle)
        across += rng.uniform(-0.3, 0.3) * along**2 / width
        wide = rng.uniform(0.3, 2.0) / camera.mm_per_px
        picture *= 1 - rng.uniform(0.1, 0.5) * np.exp(-((across / wide) ** 2))
    return np.asarray(picture, np.float32)


def _hair(rng: np.random.Generator, camera: Camera, eye: SimulatedEye) -> Picture:
    """Locks of hair over skin, mostly along one direction."""
    picture = _skin(rng, camera, eye)
    height, width = picture.shape
    main, loose = rng.uniform(0, np.pi), rng.uniform(0.05, 0.5)
    thick = max(1, round(rng.uniform(0.07, 0.25) / camera.mm_per_px))
    for _ in range(int(rng.integers(40, 500))):
        start = rng.uniform(-0.2, 1.2, 2) * (width, height)
        angle = main + loose * rng.standard_normal()
        share = np.linspace(0, 1, 12)[:, None]
        step = np.array([np.cos(angle), np.sin(angle)])
        bow = rng.normal(0, 0.1) * share**2 * step[::-1] * (1, -1)
        line = start + (share * step + bow) * rng.uniform(0.2, 1.0) * width
        points = np.round(line * 8).astype(np.int32)
        cv2.polylines(picture, [points], False, float(rng.uniform(0.05, 0.3)), thick, cv2.LINE_AA, 3)
    return picture


def _lashes(rng: np.random.Generator, camera: Camera, eye: SimulatedEye) -> Picture:
    """A fringe of lashes before skin, with or without mascara, at any angle."""
    picture = _skin(rng, camera, eye)
    height, width = picture.shape
    side = int(np.hypot(width, height)) + 2
    strip = texture.lash_strip(
        rng,
        side,
        max(8, round(rng.uniform(3, 8) / camera.mm_per_px)),
        camera.mm_per_px,
        rng.uniform(0.5, 2.0),
    )
    fringe = np.zeros((side, side), np.float32)
    top = int(rng.uniform(0.3, 0.5) * side)
    tall = min(len(strip), side - top)
    fringe[top : top + tall] = strip[:tall] * rng.uniform(0.5, 1.1)
    turn = cv2.getRotationMatrix2D((side / 2, side / 2), float(rng.uniform(-60, 60)), 1.0)
    turned = cv2.warpAffine(fringe, turn, (side, side))
    y0, x0 = (side - height) // 2, (side - width) // 2
    lash = np.clip(turned[y0 : y0 + height, x0 : x0 + width], 0, 1)
    return np.asarray(picture * (1 - lash) + 0.1 * lash, np.float32)


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
    blur_px = float(rng.uniform(0.3, 3.0)) * width / 320  # often out of focus
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), blur_px), np.float32)


def _ceiling(rng: np.random.Generator, shape: tuple[int, int]) -> Picture:
    """Tiles with joints, bright lamps, and the dark corners of a wide lens."""
    height, width = shape
    picture = rng.uniform(0.2, 0.7) * (1 + 0.08 * texture.noise_field(rng, shape, (2, 4)))
    picture = np.asarray(picture, np.float32)
    if rng.random() < 0.7:
        pitch, offset = int(rng.uniform(0.1, 0.4) * width), rng.uniform(0, 1, 2)
        for k in range(-1, 12):
            x, y = int((k + offset[0]) * pitch), int((k + offset[1]) * pitch)
            lean = int(rng.uniform(-0.05, 0.05) * width)
            joint = float(rng.uniform(0.05, 0.2))
            cv2.line(picture, (x, 0), (x + lean, height), joint, max(1, width // 160), cv2.LINE_AA)
            cv2.line(picture, (0, y), (width, y + lean), joint, max(1, width // 160), cv2.LINE_AA)
    for _ in range(int(rng.integers(0, 5))):
        at = np.round(rng.uniform(0, 1, 2) * (width, height)).astype(int).tolist()
        size = np.round(rng.uniform(0.02, 0.2, 2) * width).astype(int).tolist()
        if rng.random() < 0.5:
            cv2.ellipse(picture, at, size, 0, 0, 360, 1.5, -1, cv2.LINE_AA)
        else:
            cv2.rectangle(picture, at, (at[0] + size[0], at[1] + size[1] // 2), 1.5, -1)
    y, x = np.mgrid[:height, :width]
    aside = np.hypot(x / width - 0.5, y / height - 0.5)
    soft = cv2.GaussianBlur(picture, (0, 0), float(rng.uniform(0.3, 4.0)) * width / 320)
    return np.asarray(soft * (1 - rng.uniform(0, 1.2) * aside**2), np.float32)


def _screen(rng: np.random.Generator, shape: tuple[int, int]) -> Picture:
    """A screen with a window's frame and lines of letters, dark on bright or the other way round."""
    height, width = shape
    ink, paper = (25, 190) if rng.random() < 0.6 else (200, 30)
    picture = np.full(shape, paper, np.uint8)
    scale = rng.uniform(0.25, 0.9) * height / 240
    cv2.rectangle(picture, (0, 0), (width, height // 12), 75, -1)
    y = height // 8
    while y < height:
        letters = "".join(chr(rng.integers(97, 123)) if rng.random() < 0.83 else " " for _ in range(40))
        cv2.putText(picture, letters, (10, y), 0, scale, ink, max(1, round(2 * scale)), cv2.LINE_AA)
        y += int(45 * scale) + 2
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), float(rng.uniform(-10, 10)), 1.0)
    turned = cv2.warpAffine(picture, turn, (width, height), borderValue=12)
    return np.divide(turned, 255, dtype=np.float32)


def _dark(rng: np.random.Generator, shape: tuple[int, int]) -> Picture:
    """Next to nothing: the lamps are off."""
    return np.asarray(0.01 + 0.002 * texture.noise_field(rng, shape, (2, 2)), np.float32)


_FACE: dict[str, Callable[[np.random.Generator, Camera, SimulatedEye], Picture]] = {
    "skin": _skin,
    "brow": brow,
    "hair": _hair,
    "lashes": _lashes,
}
_PLACE: dict[str, Callable[[np.random.Generator, tuple[int, int]], Picture]] = {
    "room": _room,
    "ceiling": _ceiling,
    "screen": _screen,
    "dark": _dark,
}
