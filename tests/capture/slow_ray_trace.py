"""The eye seen ray by ray, slowly: written apart from the product's kernels, to judge them.

Everything happens in the head's frame, Snell's law by its angles, and every pixel is the mean of many rays.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.simulation.anatomy import SimulatedEye
from capture.simulation.camera import Camera
from capture.simulation.painter import EyeState, Painter
from capture.simulation.texture import iris_disc, iris_ring

Floats = NDArray[np.float64]


def turn(axis: str, angle_deg: float) -> Floats:
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    rows = {
        "x": [[1, 0, 0], [0, c, -s], [0, s, c]],
        "y": [[c, 0, s], [0, 1, 0], [-s, 0, c]],
        "z": [[c, -s, 0], [s, c, 0], [0, 0, 1]],
    }
    return np.array(rows[axis])


def eye_axes(eye: SimulatedEye, gaze_deg: tuple[float, float, float]) -> Floats:
    """Columns: the eye's axes. Patient's right is -x, so a turn to the right is negative about y (up)."""
    h, v, t = gaze_deg
    temple_is_right = 1 if eye.eye == "right" else -1
    line_of_sight = turn("y", -h) @ turn("x", -v) @ turn("z", t)
    return line_of_sight @ turn("y", -temple_is_right * eye.kappa_temporal_deg) @ turn("x", -eye.kappa_up_deg)


def rays(camera: Camera, eye: SimulatedEye, x_px: Floats, y_px: Floats) -> tuple[Floats, Floats]:
    """Camera's position and unit directions (..., 3) of pixels of the upright picture (no roll, no slip)."""
    temple = -1 if eye.eye == "right" else 1
    a, e = np.radians(camera.azimuth_temporal_deg), np.radians(camera.elevation_deg)
    out = np.array([temple * np.sin(a) * np.cos(e), np.sin(e), np.cos(a) * np.cos(e)])
    position = np.array([0, 0, 10.3]) + camera.distance_mm * out
    right = np.cross(-out, [0, 1, 0])
    right = right / np.linalg.norm(right)
    down = np.cross(-out, right)
    width, height = camera.upright_size_px
    focal = camera.focal_length_px
    across, along = (x_px - (width - 1) / 2) / focal, (y_px - (height - 1) / 2) / focal
    direction = across[..., None] * right + along[..., None] * down - out
    return position, direction / np.linalg.norm(direction, axis=-1, keepdims=True)


def meet_sphere(
    start: Floats, direction: Floats, centre: Floats, radius: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """First points (..., 3) on a sphere, and whether it is met."""
    to = start - centre
    b = direction @ to
    square = b * b - (to @ to - radius**2)
    far = -b - np.sqrt(np.maximum(square, 0))
    return start + far[..., None] * direction, square > 0


def iris_points(
    eye: SimulatedEye, axes: Floats, start: Floats, direction: Floats
) -> tuple[Floats, Floats, NDArray[np.bool_], Floats]:
    """Iris plane x, y; whether the ray went in through the cornea; distance of entry from the axis. mm."""
    centre = axes[:, 2] * (eye.apex_mm - eye.cornea_radius_mm)
    at, hit = meet_sphere(start, direction, centre, eye.cornea_radius_mm)
    normal = (at - centre) / eye.cornea_radius_mm
    incidence = np.arccos(np.clip(-(direction * normal).sum(-1), -1, 1))
    inside = np.arcsin(np.sin(incidence) / eye.refractive_index)
    tangent = direction + np.cos(incidence)[..., None] * normal
    tangent = tangent / np.maximum(np.linalg.norm(tangent, axis=-1, keepdims=True), 1e-12)
    bent = -np.cos(inside)[..., None] * normal + np.sin(inside)[..., None] * tangent
    depth = (eye.apex_mm - eye.pupil_depth_mm - at @ axes[:, 2]) / (bent @ axes[:, 2])
    point = at + depth[..., None] * bent
    rho = np.hypot(at @ axes[:, 0], at @ axes[:, 1])
    return point @ axes[:, 0], point @ axes[:, 1], hit & (at @ axes[:, 2] > eye.limbus_mm - 1), rho


def pupil_seen(
    eye: SimulatedEye,
    camera: Camera,
    gaze_deg: tuple[float, float, float],
    pupil_mm: float,
    box: tuple[int, int, int],
    over: int,
) -> tuple[float, float, float, float]:
    """Centroid x, y and semi-axes of the pupil as seen, by counting rays. box: x, y, half size in pixels."""
    x0, y0, half = box
    steps = (np.arange((2 * half + 1) * over) + 0.5) / over - 0.5 - half
    x, y = np.meshgrid(x0 + steps, y0 + steps)
    start, direction = rays(camera, eye, x, y)
    u, v, through, _ = iris_points(eye, eye_axes(eye, gaze_deg), start, direction)
    middle = eye.pupil_centre_mm(pupil_mm)
    inside = through & (np.hypot(u - middle[0], v - middle[1]) < pupil_mm / 2)
    points = np.stack([x[inside], y[inside]])
    axes = 2 * np.sqrt(np.linalg.eigvalsh(np.cov(points)))  # a filled ellipse: variance = (semi-axis / 2)^2
    return float(points[0].mean()), float(points[1].mean()), float(axes[1]), float(axes[0])


def texture_at(picture: NDArray[np.float32], x: Floats, y: Floats) -> Floats:
    """Bilinear values; x, y from the centre in half widths."""
    half = (len(picture) - 1) / 2
    x, y = half + half * x, half + half * y
    x0, y0 = x.astype(int), y.astype(int)
    fx, fy = x - x0, y - y0
    top = picture[y0, x0] * (1 - fx) + picture[y0, x0 + 1] * fx
    low = picture[y0 + 1, x0] * (1 - fx) + picture[y0 + 1, x0 + 1] * fx
    return top * (1 - fy) + low * fy


def slow_scene(painter: Painter, state: EyeState, box: tuple[int, int, int], over: int) -> Floats:
    """The naked eyeball (no lids, lashes, glints) in a box of the upright picture, optics' blur included.

    `over` squared rays for each pixel; box: centre x, y and half size in pixels.
    """
    eye, camera = painter.eye, painter.camera
    x0, y0, half = box
    margin = 5
    count = 2 * (half + margin) + 1
    steps = (np.arange(count * over) + 0.5) / over - 0.5 - half - margin
    x, y = np.meshgrid(x0 + steps, y0 + steps)
    axes = eye_axes(eye, state[:3])
    start, direction = rays(camera, eye, x, y)
    lamp = painter._lamps.mean(axis=0)
    light = axes.T @ (lamp / np.linalg.norm(lamp))
    u, v, through, rho = iris_points(eye, axes, start, direction)
    ramp = np.clip((eye.iris_radius_mm + 0.35 - rho) / 0.7, 0, 1)
    share = np.where(through, 3 * ramp**2 - 2 * ramp**3, 0.0)
    iris = iris_value(painter, state.pupil_mm, u, v, light[2])
    fine = share * np.where(through, iris, 0) + (1 - share) * sclera_value(
        painter, axes, start, direction, light
    )
    fine = cv2.GaussianBlur(fine, (0, 0), camera.blur_px * over)
    pixels = fine.reshape(count, over, count, over).mean(axis=(1, 3))
    return pixels[margin:-margin, margin:-margin]


def iris_value(painter: Painter, pupil_mm: float, u: Floats, v: Floats, facing: float) -> Floats:
    """Light from points of the iris plane; the pattern's ring is found by halving."""
    eye, tones = painter.eye, painter._tones
    ring = iris_ring(np.random.default_rng([eye.texture_seed, 5]))
    disc = iris_disc(ring, 3 * (len(painter._disc) // 2))  # finer than the product's
    middle = np.array(eye.pupil_centre_mm(pupil_mm))
    radius, reach = pupil_mm / 2, eye.iris_radius_mm - pupil_mm / 2
    low, high = np.zeros_like(u), np.full_like(u, 1.2)
    for _ in range(40):
        half = (low + high) / 2
        size = np.hypot(u - (1 - half) * middle[0], v - (1 - half) * middle[1])
        outside = size > radius + half * reach
        low, high = np.where(outside, half, low), np.where(outside, high, half)
    eu, ev = u - (1 - low) * middle[0], v - (1 - low) * middle[1]
    place = (0.3 + 0.7 * np.minimum(low, 0.995)) / np.hypot(eu, ev).clip(1e-9)
    inside = np.hypot(u - middle[0], v - middle[1]) < radius
    pattern = texture_at(disc, *(np.where(inside, 0, place * e).clip(-0.999, 0.999) for e in (eu, ev)))
    beyond_mm = np.hypot(u - middle[0], v - middle[1]) - radius
    frill = np.clip(1 - beyond_mm / 0.12, 0, 1)
    bright = (
        tones.iris * (0.45 + 0.55 * facing) * (1 + tones.iris_contrast * pattern) * (1 - tones.ruff * frill)
    )
    return np.where(inside, tones.pupil, bright)


def sclera_value(painter: Painter, axes: Floats, start: Floats, direction: Floats, light: Floats) -> Floats:
    """Light from the white of the eye."""
    eye = painter.eye
    centre = axes[:, 2] * eye.sclera_centre_mm
    at, hit = meet_sphere(start, direction, centre, eye.sclera_radius_mm)
    normal = (at - centre) @ axes / eye.sclera_radius_mm
    flat = normal[..., :2] / (1 + normal[..., 2:])
    pattern = texture_at(painter._white, flat[..., 0].clip(-0.99, 0.99), flat[..., 1].clip(-0.99, 0.99))
    facing = np.where(hit, np.maximum(normal @ light, 0.2), 0.2)
    return painter._tones.sclera * (0.6 + 0.4 * facing) * pattern
