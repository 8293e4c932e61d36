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
from capture.simulation.camera import Camera
from capture.simulation.covering import cover
from capture.simulation.eyeball import Tones, paint_eyeball, paint_glints
from capture.simulation.lids import lid_margins, lid_shape
from capture.simulation.sensor import BANK_SIZE, expose
from capture.simulation.surroundings import light_falloff, surroundings
from capture.simulation.texture import Picture

LEVELS = 255.0  # white paper in full light
SMEAR_FROM_DEG = 0.04  # less movement during an exposure does not show
RUFF_DARK = 0.25  # darkening of the iris at the pupil's very edge
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
    smear_horizontal_deg: float = 0.0  # how far the gaze moves during the exposure
    smear_vertical_deg: float = 0.0


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
        self._around = surroundings(eye, camera, self.lids(EyeState()), self._look.lashes, rng)
        self._falloff = light_falloff(eye, camera)
        self._bank = (
            np.random.default_rng([eye.texture_seed, 6]).standard_normal(BANK_SIZE).astype(np.float32)
        )
        self._bank *= np.float32(self._look.noise)
        self._linear, self._shift = camera.deliver_map()

    def _mixed_tones(self) -> Tones:
        eye = self.eye
        iris = eye.pupil_reflectance + self._look.contrast * (eye.iris_reflectance - eye.pupil_reflectance)
        return Tones(eye.pupil_reflectance, iris, eye.sclera_reflectance, eye.iris_contrast, RUFF_DARK)

    def _lamp_places(self) -> NDArray[np.float64]:
        """(n, 3) lamps round the lens, in the head."""
        offsets = np.array([(right, down, 4.0) for right, down in self.camera.leds_mm]).reshape(-1, 3)
        return self._position + offsets @ self._axes

    def lids(self, state: EyeState) -> NDArray[np.float64]:
        """(2, width) rows of both margins in the upright picture."""
        return lid_margins(
            self._lid_shape, state.vertical_deg, state.opening, self._position, self._axes,
            self.camera.focal_length_px, self._size,
        )  # fmt: skip

    def _pupil(self, state: EyeState) -> NDArray[np.float64]:
        size_mm = min(state.pupil_mm, 2 * self.eye.iris_radius_mm - 1.0)  # some iris always remains
        return np.array([*self.eye.pupil_centre_mm(size_mm), size_mm / 2])

    def _aim(self, state: EyeState) -> tuple[NDArray[np.float64], ...]:
        """Axes of the eye in the head, rays in the eye, pupil's middle in the picture, slope px/mm there."""
        eye = self.eye
        return _aimed(
            np.array(state[:3]), eye.nasal_sign * eye.kappa_temporal_deg, eye.kappa_up_deg, self._position,
            self._axes, self.camera.focal_length_px, self._centre, self._surfaces, self._pupil(state),
        )  # fmt: skip

    def scene(self, state: EyeState) -> Picture:
        """(h, w) upright picture in the sensor's light units, without noise.

        Raises ValueError for a state that is not finite.
        """
        if not np.isfinite(state).all():
            raise ValueError(f"an eye cannot be painted in the state {state}")
        axes, rays, _, slope = self._aim(state)
        lids = self.lids(state)
        eyeball = np.zeros(self._size[::-1], np.float32)
        lamp = self._lamps.mean(axis=0) if len(self._lamps) else self._position
        light = axes.T @ (lamp / np.linalg.norm(lamp))
        paint_eyeball(
            eyeball, rays, self._surfaces, self._pupil(state), optics.inverse2(slope), self._disc,
            self._white, self._tones, light, lids,
        )  # fmt: skip
        if self._look.glints > 0:
            paint_glints(
                eyeball, axes, rays, self._surfaces, self._lamps, self._position,
                GLINT_RADIUS_MM / self.camera.mm_per_px, GLINT_STRENGTH * self._look.glints,
            )  # fmt: skip
        self._smear(eyeball, state)
        out = np.empty_like(eyeball)
        cover(out, eyeball, lids, self._around)
        blur_px = self.camera.blur_px if self._look.blur_px is None else self._look.blur_px
        return np.asarray(cv2.GaussianBlur(out, (0, 0), blur_px), np.float32) if blur_px > 0 else out

    def _smear(self, eyeball: Picture, state: EyeState) -> None:
        """Blur the eyeball along its movement during the exposure."""
        dh, dv = state.smear_horizontal_deg, state.smear_vertical_deg
        if max(abs(dh), abs(dv)) < SMEAR_FROM_DEG:
            return
        ends = [
            self._aim(state._replace(horizontal_deg=state[0] + s * dh, vertical_deg=state[1] + s * dv))[2]
            for s in (-0.5, 0.5)
        ]
        kernel = line_kernel(*(ends[1] - ends[0]))
        cv2.filter2D(eyeball, -1, kernel, dst=eyeball, borderType=cv2.BORDER_REPLICATE)

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
        _, rays, _, slope = self._aim(state)
        outline = optics.pupil_outline(rays, self._surfaces, self._pupil(state))
        delivered = outline @ self._linear.T + self._shift
        x, y, major, minor, angle = optics.ellipse_of(delivered).tolist()
        visible = _visible_share(optics.ellipse_of(outline), self.lids(state), self._size)
        m = self._linear @ slope @ np.diag([1.0, -1.0])
        if np.linalg.det(m) < 0:
            m = m @ np.diag([-1.0, 1.0])
        rotation_deg = degrees(np.arctan2(m[1, 0] - m[0, 1], m[0, 0] + m[1, 1]))
        return PictureTruth(x, y, major, minor, angle, float(visible), float(rotation_deg))


def line_kernel(dx_px: float, dy_px: float) -> Picture:
    """(n, n) kernel that spreads each pixel evenly over a line of this length through it."""
    half = max(1, int(np.ceil(max(abs(dx_px), abs(dy_px)) / 2)))
    kernel = np.zeros((2 * half + 1, 2 * half + 1))
    for share in np.linspace(-0.5, 0.5, 8 * half + 1):
        x, y = half + share * dx_px, half + share * dy_px
        x0, y0 = min(int(x), 2 * half - 1), min(int(y), 2 * half - 1)
        fx, fy = x - x0, y - y0
        kernel[y0 : y0 + 2, x0 : x0 + 2] += np.outer([1 - fy, fy], [1 - fx, fx])
    return (kernel / kernel.sum()).astype(np.float32)


@njit(cache=True, nogil=True, error_model="numpy")
def _aimed(
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
    middle, slope = optics.pupil_middle(rays, surf, pupil[:2])
    return axes, rays, middle, slope


@njit(cache=True, nogil=True, error_model="numpy")
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
