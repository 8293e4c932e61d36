"""One eye before one camera: everything that stays the same is painted once, the rest for each picture."""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees
from typing import NamedTuple

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from capture.simulation import optics, texture
from capture.simulation.anatomy import SimulatedEye
from capture.simulation.camera import AIM_MM, Camera
from capture.simulation.lids import BOWL_MM, lid_margins, lid_shape
from capture.simulation.picture import Picture, Surroundings, Tones, cover, expose, paint_eyeball, paint_glint

LEVELS = 255.0  # white paper in full light
BANK_SIZE = 1 << 18
GLINT_RADIUS_MM = 0.16
GLINT_STRENGTH = 4.0  # far above white: glints saturate


class EyeState(NamedTuple):
    """What one picture shows."""

    horizontal_deg: float = 0.0
    vertical_deg: float = 0.0
    torsional_deg: float = 0.0
    pupil_mm: float = 3.5
    opening: float = 1.0  # of the lids: 1 usual, 0 shut
    light: float = 1.0  # infrared light, 1 as set up
    gain: float = 1.0  # of the sensor: brighter, and noisier


class PictureTruth(NamedTuple):
    """What is really in a picture; pixels of the picture as delivered."""

    x_px: float  # ellipse fitted to the refracted outline of the whole pupil, also under a lid
    y_px: float
    major_px: float
    minor_px: float
    angle_deg: float  # long axis, from image x toward image y, in [0, 180)
    visible_share: float  # of the pupil's area, not under a lid and inside the picture
    rotation_deg: float  # of the iris in the picture, from image x toward image y (see `capture.tracker`)


@dataclass(frozen=True, slots=True)
class Look:
    """Settings for stills and hard cases, beyond eye and camera."""

    noise: float = 1.0  # share of the sensor's noise
    contrast: float = 1.0  # of iris against pupil: 0.1 is an iris hardly brighter than the pupil
    glints: float = 1.0  # strength; 0 none
    lashes: float = 1.0  # darkness; 0 none
    blur_px: float | None = None  # None: the camera's own


class Painter:
    """Paints pictures of one eye through one camera. Not to be shared between threads."""

    def __init__(self, eye: SimulatedEye, camera: Camera, look: Look | None = None) -> None:
        self.eye, self.camera = eye, camera
        self._look = look or Look()
        self._surfaces = optics.surfaces(eye)
        self._position, self._axes = camera.pose(eye.eye)
        self._size = camera.upright_size_px
        self._centre = ((self._size[0] - 1) / 2, (self._size[1] - 1) / 2)
        self._lid_shape = lid_shape(eye)
        rng = np.random.default_rng([eye.texture_seed, 5])
        half = round(2 * eye.iris_radius_mm / camera.mm_per_px)
        self._disc = texture.iris_disc(texture.iris_ring(rng), half)
        self._white = texture.sclera_map(rng, round(1.2 * eye.sclera_radius_mm / camera.mm_per_px))
        self._tones = self._mixed_tones()
        self._lamps = self._lamp_places()
        self._around = self._surroundings(rng)
        self._falloff = self._light_falloff()
        self._bank = (
            np.random.default_rng([eye.texture_seed, 6]).standard_normal(BANK_SIZE).astype(np.float32)
        )
        self._bank *= np.float32(self._look.noise)
        self._linear, self._shift = camera.deliver_map()

    def _mixed_tones(self) -> Tones:
        eye = self.eye
        iris = eye.pupil_reflectance + self._look.contrast * (eye.iris_reflectance - eye.pupil_reflectance)
        return Tones(eye.pupil_reflectance, iris, eye.sclera_reflectance, eye.iris_contrast, 0.25)

    def _lamp_places(self) -> NDArray[np.float64]:
        """(n, 3) lamps round the lens, in the head."""
        offsets = np.array([(right, down, 4.0) for right, down in self.camera.leds_mm]).reshape(-1, 3)
        return self._position + offsets @ self._axes

    def _face_mm(self) -> tuple[Picture, Picture]:
        """Where each pixel's ray meets the plane of the face: x, y in mm, (h, w) each."""
        width, height = self._size
        focal = self.camera.focal_length_px
        across = ((np.arange(width) - self._centre[0]) / focal)[None, :, None] * self._axes[0]
        down = ((np.arange(height) - self._centre[1]) / focal)[:, None, None] * self._axes[1]
        direction = across + down + self._axes[2]
        reach = (AIM_MM - self._position[2]) / np.minimum(direction[..., 2], -0.05)
        at = self._position[:2] + reach[..., None] * direction[..., :2]
        return at[..., 0].astype(np.float32), at[..., 1].astype(np.float32)

    def _surroundings(self, rng: np.random.Generator) -> Surroundings:
        width = self._size[0]
        px_per_mm = 1 / self.camera.mm_per_px
        open_lids = self.lids(EyeState())
        fold = np.minimum(open_lids[0] - 2.2 * px_per_mm, open_lids[0].min() + 6.5 * px_per_mm)
        shade = self._shade()
        skin = texture.skin_map(rng, self._size, self.camera.mm_per_px) * shade
        from_fold = (np.arange(self._size[1])[:, None] - fold) / (0.5 * px_per_mm)
        skin = skin * (1 - 0.30 / (1 + from_fold**2))
        lid = texture.skin_map(rng, (width, max(8, round(9 * px_per_mm))), self.camera.mm_per_px)
        lashes = [
            self._look.lashes
            * texture.lash_strip(rng, width, round(3.6 * px_per_mm * tall), self.camera.mm_per_px, density)
            for tall, density in ((1.0, self.eye.lash_density), (0.6, 0.6 * self.eye.lash_density))
        ]
        return Surroundings(
            skin.astype(np.float32),
            shade,
            fold,
            lid,
            *(strip.astype(np.float32) for strip in lashes),
            px_per_mm,
        )

    def _shade(self) -> Picture:
        """(h, w) smooth skin: the ball of the lids bulges, the hollow under the brow and beside the nose is darker."""
        x_mm, y_mm = self._face_mm()
        bulge = np.exp(-((x_mm / 17) ** 2 + ((y_mm + 1) / 12) ** 2))
        nose = 0.12 * np.tanh((x_mm * self.eye.nasal_sign - 11) / 4)
        hollow = 0.16 * np.exp(-(((y_mm - 13) / 4) ** 2))
        return (self.eye.skin_reflectance * (0.86 + 0.16 * bulge + nose - hollow)).astype(np.float32)

    def _light_falloff(self) -> Picture:
        """(h, w) light of the lamps: brightest near the middle of the picture."""
        x_mm, y_mm = self._face_mm()
        aside = np.hypot(x_mm - 1.5, y_mm + 2.0) / self.camera.distance_mm
        return (1 / (1 + (aside / 0.62) ** 2)).astype(np.float32)

    def lids(self, state: EyeState) -> NDArray[np.float64]:
        """(2, width) rows of both margins in the upright picture."""
        return lid_margins(
            self._lid_shape, state.vertical_deg, state.opening, self._position, self._axes,
            self.camera.focal_length_px, self._size,
        )  # fmt: skip

    def _pupil(self, state: EyeState) -> NDArray[np.float64]:
        return np.array([*self.eye.pupil_centre_mm(state.pupil_mm), state.pupil_mm / 2])

    def _project(self, state: EyeState) -> tuple[NDArray[np.float64], ...]:
        """Axes of the eye in the head, rays in the eye, outline of the pupil, slope px/mm at its centre."""
        return _projected(
            np.array(state[:3]),
            self.eye.nasal_sign * -1.0 * -self.eye.kappa_temporal_deg,
            self.eye.kappa_up_deg,
            self._position,
            self._axes,
            self.camera.focal_length_px,
            self._centre,
            self._surfaces,
            self._pupil(state),
        )

    def scene(self, state: EyeState) -> Picture:
        """(h, w) upright picture in the sensor's light units, without noise."""
        axes, rays, _, slope = self._project(state)
        lids = self.lids(state)
        eyeball = np.zeros(self._size[::-1], np.float32)
        light = axes.T @ (self._lamps.mean(axis=0) / np.linalg.norm(self._lamps.mean(axis=0)))
        paint_eyeball(
            eyeball, rays, self._surfaces, self._pupil(state), optics.inverse2(slope), self._disc, self._white,
            self._tones, light, lids,
        )  # fmt: skip
        if self._look.glints > 0:
            self._add_glints(eyeball, axes, rays)
        out = np.empty_like(eyeball)
        cover(out, eyeball, lids, self._around)
        blur_px = self.camera.blur_px if self._look.blur_px is None else self._look.blur_px
        return cv2.GaussianBlur(out, (0, 0), blur_px, dst=out) if blur_px > 0 else out  # type: ignore[return-value]

    def _add_glints(self, eyeball: Picture, axes: NDArray[np.float64], rays: NDArray[np.float64]) -> None:
        radius_px = GLINT_RADIUS_MM / self.camera.mm_per_px
        for lamp in self._lamps:
            point = optics.glint_point(axes, self._surfaces, lamp, self._position)
            if np.isnan(point[0]):
                continue
            x, y = optics.straight_pixel(rays, axes.T @ point)
            paint_glint(eyeball, x, y, radius_px, GLINT_STRENGTH * self._look.glints)

    def image(self, state: EyeState, key: int) -> NDArray[np.uint8]:
        """(height, width) picture as delivered. `key` numbers the noise: another key, other noise."""
        camera = self.camera
        upright = expose(
            self.scene(state), self._falloff, self._bank, np.uint64(key), LEVELS * state.light * state.gain,
            state.gain / camera.electrons_per_level, state.gain * camera.read_noise_levels,
        )  # fmt: skip
        return camera.deliver(upright)

    def truth(self, state: EyeState) -> PictureTruth:
        """What `image` shows."""
        _, _, outline, slope = self._project(state)
        delivered = outline @ self._linear.T + self._shift
        ellipse = optics.ellipse_of(delivered)
        visible = _visible_share(optics.ellipse_of(outline), self.lids(state), self._size)
        m = self._linear @ slope @ np.diag([1.0, -1.0])
        if np.linalg.det(m) < 0:
            m = m @ np.diag([-1.0, 1.0])
        rotation_deg = degrees(np.arctan2(m[1, 0] - m[0, 1], m[0, 0] + m[1, 1]))
        return PictureTruth(*(float(value) for value in ellipse), float(visible), float(rotation_deg))


@njit(cache=True, nogil=True)
def _projected(
    gaze_deg: optics.Floats,
    kappa_right_deg: float,
    kappa_up_deg: float,
    position: optics.Floats,
    camera: optics.Floats,
    focal: float,
    centre: tuple[float, float],
    surf: optics.Surfaces,
    pupil: optics.Floats,
) -> tuple[optics.Floats, optics.Floats, optics.Floats, optics.Floats]:
    axes = optics.eye_axes(gaze_deg, kappa_right_deg, kappa_up_deg)
    rays = optics.rays_in_eye(axes, position, camera, focal, centre[0], centre[1])
    outline, slope = optics.pupil_outline(rays, surf, pupil[:2], pupil[2])
    return axes, rays, outline, slope


@njit(cache=True, nogil=True)
def _visible_share(ellipse: optics.Floats, lids: optics.Floats, size: tuple[int, int]) -> float:
    """Share of the ellipse's area between the lids and in the picture, summed over thin columns."""
    width, height = size
    x, y, major, minor = ellipse[0], ellipse[1], ellipse[2], ellipse[3]
    c, s = np.cos(np.radians(ellipse[4])), np.sin(np.radians(ellipse[4]))
    # Points of the ellipse in column dx: y = slope dx +- half chord.
    spread = np.sqrt((major * c) ** 2 + (minor * s) ** 2)
    tilt = (major * major - minor * minor) * s * c / spread**2
    tall = major * minor / spread
    whole, seen = 0.0, 0.0
    steps = 400
    for k in range(steps):
        share = -1 + (2 * k + 1) / steps
        dx = share * spread
        half = tall * np.sqrt(1 - share * share)
        whole += 2 * half
        column = int(np.round(x + dx))
        if 0 <= column < width:
            top = max(y + tilt * dx - half, lids[0, column], -0.5)
            low = min(y + tilt * dx + half, lids[1, column], height - 0.5)
            seen += max(low - top, 0.0)
    return seen / whole if whole > 0 else np.nan


__all__ = ["BOWL_MM", "EyeState", "Look", "Painter", "PictureTruth"]
