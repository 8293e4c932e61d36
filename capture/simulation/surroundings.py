"""The face round the eye, painted once for a camera: skin, crease of the lid, lashes, and light."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.simulation import texture
from capture.simulation.anatomy import SimulatedEye
from capture.simulation.camera import AIM_MM, Camera
from capture.simulation.covering import CREASE_DARK, CREASE_MM, Surroundings
from capture.simulation.texture import Picture

FACE_MM = (90.0, 80.0)  # size of the patch of skin that is kept


def face_mm(eye: SimulatedEye, camera: Camera) -> tuple[Picture, Picture]:
    """Where each pixel's ray meets the upright plane of a usual pupil: x, y in the head, (h, w) each."""
    (width, height), focal = camera.upright_size_px, camera.focal_length_px
    position, axes = camera.pose(eye.eye)
    across = ((np.arange(width) - (width - 1) / 2) / focal)[None, :, None] * axes[0]
    down = ((np.arange(height) - (height - 1) / 2) / focal)[:, None, None] * axes[1]
    direction = across + down + axes[2]
    reach = (AIM_MM - position[2]) / np.minimum(direction[..., 2], -0.05)
    at = (position[:2] + reach[..., None] * direction[..., :2]).astype(np.float32)
    return at[..., 0], at[..., 1]


def surroundings(
    eye: SimulatedEye, camera: Camera, open_lids: NDArray[np.float64], lashes: float, rng: np.random.Generator
) -> Surroundings:
    """Paint what lies round the eye. open_lids: (2, w) margins with the eye open; lashes: their darkness."""
    x_mm, y_mm = face_mm(eye, camera)
    mm_per_px = camera.mm_per_px
    fold = np.minimum(open_lids[0] - 2.2 / mm_per_px, open_lids[0].min() + 6.5 / mm_per_px)
    fringe = np.clip((open_lids[1] - open_lids[0]) * mm_per_px / 2.0, 0, 1)
    shade = _shade(eye, x_mm, y_mm)
    patch = texture.skin_map(rng, FACE_MM, mm_per_px)
    place = ((x_mm + FACE_MM[0] / 2) / mm_per_px, (y_mm + FACE_MM[1] / 2) / mm_per_px)
    skin = shade * cv2.remap(patch, *place, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    above = (fold - np.arange(len(skin))[:, None]) * mm_per_px / CREASE_MM
    skin *= 1 - fringe * CREASE_DARK * np.clip(1 - above**2, 0, 1) ** 2
    width = skin.shape[1]
    strips = [
        texture.lash_strip(rng, width, round(3.6 * tall / mm_per_px), mm_per_px, tall * eye.lash_density)
        for tall in (1.0, 0.6)
    ]
    return Surroundings(
        np.asarray(skin, np.float32),
        shade,
        fold,
        texture.skin_map(rng, (width * mm_per_px, 9.0), mm_per_px)[:, :width],
        fringe,
        *((lashes * fringe * strip).astype(np.float32) for strip in strips),
        px_per_mm=1 / mm_per_px,
    )


def _shade(eye: SimulatedEye, x_mm: Picture, y_mm: Picture) -> Picture:
    """(h, w) smooth skin: the lids bulge, the hollow under the brow is darker, the nose lighter."""
    bulge = np.exp(-((x_mm / 17) ** 2 + ((y_mm + 1) / 12) ** 2))
    nose = 0.12 * np.tanh((x_mm * eye.nasal_sign - 11) / 4)
    hollow = 0.16 * np.exp(-(((y_mm - 13) / 4) ** 2))
    return (eye.skin_reflectance * (0.86 + 0.16 * bulge + nose - hollow)).astype(np.float32)


def light_falloff(eye: SimulatedEye, camera: Camera) -> Picture:
    """(h, w) light of the lamps: brightest near the middle of the picture."""
    x_mm, y_mm = face_mm(eye, camera)
    aside = np.hypot(x_mm - 1.5, y_mm + 2.0) / camera.distance_mm
    return (1 / (1 + (aside / 0.62) ** 2)).astype(np.float32)


def brow(rng: np.random.Generator, camera: Camera, eye: SimulatedEye) -> Picture:
    """(h, w) skin above the eye with the hair of the brow: a picture without an eye."""
    x_mm, y_mm = face_mm(eye, camera)
    width, height = camera.upright_size_px
    place = ((x_mm + FACE_MM[0] / 2) / camera.mm_per_px, (y_mm + FACE_MM[1] / 2) / camera.mm_per_px)
    patch = texture.skin_map(rng, FACE_MM, camera.mm_per_px)
    skin = eye.skin_reflectance * cv2.remap(patch, *place, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    hair = np.zeros((height, width), np.float32)
    for _ in range(420):
        root = np.array([rng.uniform(-15, 15), rng.normal(0.0, 1.6)]) / camera.mm_per_px
        root += (width / 2, height / 2)
        angle, length = rng.normal(0.25, 0.3), rng.uniform(3, 7) / camera.mm_per_px
        tip = root + length * np.array([np.cos(angle), -np.sin(angle)])
        ends = [tuple(np.round(point * 8).astype(int).tolist()) for point in (root, tip)]
        cv2.line(hair, ends[0], ends[1], float(rng.uniform(0.4, 0.9)), 1, cv2.LINE_AA, 3)
    return np.asarray(skin * (1 - hair) + 0.12 * hair, np.float32)
