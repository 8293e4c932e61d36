"""Light through the cornea: from a pixel to the iris, from the iris to a pixel, and the glints.

A ray that leaves pixel (x, y) has, in the eye's own frame, the origin `rays[0]` and the direction
`rays[1] + x rays[2] + y rays[3]` (mm, any length). Snell's law at the corneal sphere is applied in vector
form (Glassner, An Introduction to Ray Tracing, 1989; from memory).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from capture.simulation.anatomy import SimulatedEye

Floats = NDArray[np.float64]
OUTLINE_POINTS = 48


class Surfaces(NamedTuple):
    """What a ray meets, along the optical axis from the eye's centre, mm."""

    cornea_centre_mm: float
    cornea_radius_mm: float
    index_ratio: float  # air to cornea
    pupil_plane_mm: float
    limbus_mm: float
    sclera_centre_mm: float
    sclera_radius_mm: float
    iris_radius_mm: float


def surfaces(eye: SimulatedEye) -> Surfaces:
    """The surfaces of one eye, as plain numbers for the kernels."""
    return Surfaces(
        eye.cornea_centre_mm,
        eye.cornea_radius_mm,
        1.0 / eye.refractive_index,
        eye.pupil_plane_mm,
        eye.limbus_mm,
        eye.sclera_centre_mm,
        eye.sclera_radius_mm,
        eye.iris_radius_mm,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def turn_x(angle: float) -> Floats:
    """(3, 3) right-handed rotation about x, radians."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])


@njit(cache=True, nogil=True, error_model="numpy")
def turn_y(angle: float) -> Floats:
    """(3, 3) right-handed rotation about y, radians."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


@njit(cache=True, nogil=True, error_model="numpy")
def turn_z(angle: float) -> Floats:
    """(3, 3) right-handed rotation about z, radians."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


@njit(cache=True, nogil=True, error_model="numpy")
def eye_axes(gaze_deg: Floats, kappa_right_deg: float, kappa_up_deg: float) -> Floats:
    """(3, 3) whose columns are the eye's own axes in the head, for Fick angles of the line of sight.

    Horizontal first (patient's right), then vertical (up), then torsion about the line of sight (upper pole
    toward the patient's right); the optical axis is off the line of sight by kappa.
    """
    gaze = np.radians(gaze_deg)
    fick = turn_y(-gaze[0]) @ turn_x(-gaze[1]) @ turn_z(gaze[2])
    return fick @ turn_y(-math.radians(kappa_right_deg)) @ turn_x(-math.radians(kappa_up_deg))


@njit(cache=True, nogil=True, error_model="numpy")
def rays_in_eye(axes: Floats, position: Floats, camera: Floats, focal: float, cx: float, cy: float) -> Floats:
    """(4, 3) origin and directions of the pixels' rays in the eye's frame (see the module)."""
    right, down, forward = camera[0] / focal, camera[1] / focal, camera[2]
    inverse = np.ascontiguousarray(axes.T)
    out = np.empty((4, 3))
    out[0] = inverse @ position
    out[1] = inverse @ (forward - cx * right - cy * down)
    out[2] = inverse @ right
    out[3] = inverse @ down
    return out


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def refract(ox, oy, oz, dx, dy, dz, centre, radius, ratio, plane):
    """Follow one ray: where it meets the cornea (x, y, z), and then the iris plane (u, v). NaN: it misses."""
    pz0 = oz - centre
    a = dx * dx + dy * dy + dz * dz
    b = dx * ox + dy * oy + dz * pz0
    c = ox * ox + oy * oy + pz0 * pz0 - radius * radius
    square = b * b - a * c
    if square <= 0.0:
        return math.nan, math.nan, math.nan, math.nan, math.nan
    root = math.sqrt(square)
    far = -(b + root) / a
    px, py, pz = ox + far * dx, oy + far * dy, pz0 + far * dz
    inside = root / radius  # cosine of incidence times the direction's length
    bend = (ratio * inside - math.sqrt(a - ratio * ratio * (a - inside * inside))) / radius
    rx, ry, rz = ratio * dx + bend * px, ratio * dy + bend * py, ratio * dz + bend * pz
    pz += centre
    reach = (plane - pz) / rz
    return px, py, pz, px + reach * rx, py + reach * ry


@njit(cache=True, nogil=True, error_model="numpy")
def iris_point(rays: Floats, surf: Surfaces, x: float, y: float) -> tuple[float, float]:
    """Point of the iris plane (mm, the eye's x and y) that pixel (x, y) sees."""
    d = rays[1] + x * rays[2] + y * rays[3]
    _, _, _, u, v = refract(
        rays[0, 0],
        rays[0, 1],
        rays[0, 2],
        d[0],
        d[1],
        d[2],
        surf.cornea_centre_mm,
        surf.cornea_radius_mm,
        surf.index_ratio,
        surf.pupil_plane_mm,
    )
    return u, v


@njit(cache=True, nogil=True, error_model="numpy")
def iris_slope(rays: Floats, surf: Surfaces, x: float, y: float) -> Floats:
    """(2, 2) change of the seen iris point (mm) with the pixel, by central differences."""
    h = 0.05
    u1, v1 = iris_point(rays, surf, x + h, y)
    u0, v0 = iris_point(rays, surf, x - h, y)
    u3, v3 = iris_point(rays, surf, x, y + h)
    u2, v2 = iris_point(rays, surf, x, y - h)
    return np.array([[u1 - u0, u3 - u2], [v1 - v0, v3 - v2]]) / (2 * h)


@njit(cache=True, nogil=True, error_model="numpy")
def inverse2(m: Floats) -> Floats:
    """Inverse of a (2, 2) matrix."""
    return np.array([[m[1, 1], -m[0, 1]], [-m[1, 0], m[0, 0]]]) / (m[0, 0] * m[1, 1] - m[0, 1] * m[1, 0])


@njit(cache=True, nogil=True, error_model="numpy")
def pixel_of(rays: Floats, surf: Surfaces, target: Floats, start: Floats, back: Floats) -> Floats:
    """Pixel (2,) that sees the iris point `target`, by Newton steps of a fixed slope; NaN if none does."""
    at = start.copy()
    for _ in range(30):
        u, v = iris_point(rays, surf, at[0], at[1])
        miss_u, miss_v = target[0] - u, target[1] - v
        at[0] += back[0, 0] * miss_u + back[0, 1] * miss_v
        at[1] += back[1, 0] * miss_u + back[1, 1] * miss_v
        if abs(miss_u) + abs(miss_v) < 1e-8:
            return at
    at[:] = np.nan
    return at


@njit(cache=True, nogil=True, error_model="numpy")
def straight_pixel(rays: Floats, point: Floats) -> Floats:
    """Pixel (2,) that sees a point of the eye's frame without refraction."""
    system = np.empty((3, 3))
    system[:, 0], system[:, 1], system[:, 2] = rays[2], rays[3], rays[0] - point
    return -np.linalg.solve(system, rays[1])[:2]


@njit(cache=True, nogil=True, error_model="numpy")
def pupil_middle(rays: Floats, surf: Surfaces, centre: Floats) -> tuple[Floats, Floats]:
    """Image (2,) of the pupil's centre (iris plane, mm), and the (2, 2) slope px/mm there."""
    middle = straight_pixel(rays, np.array([centre[0], centre[1], surf.pupil_plane_mm + 0.5]))
    for _ in range(3):
        slope = iris_slope(rays, surf, middle[0], middle[1])
        middle = pixel_of(rays, surf, centre, middle, inverse2(slope))
    return middle, inverse2(iris_slope(rays, surf, middle[0], middle[1]))


@njit(cache=True, nogil=True, error_model="numpy")
def pupil_outline(rays: Floats, surf: Surfaces, pupil: Floats) -> Floats:
    """(OUTLINE_POINTS, 2) image of the pupil's edge; pupil: centre u, v and radius, mm."""
    middle, slope = pupil_middle(rays, surf, pupil[:2])
    outline = np.empty((OUTLINE_POINTS, 2))
    for i in range(OUTLINE_POINTS):
        angle = 2 * math.pi * i / OUTLINE_POINTS
        away = pupil[2] * np.array([math.cos(angle), math.sin(angle)])
        outline[i] = pixel_of(rays, surf, pupil[:2] + away, middle + slope @ away, slope)
    return outline


@njit(cache=True, nogil=True, error_model="numpy")
def ellipse_of(outline: Floats) -> Floats:
    """Least-squares conic through points (n, 2): centre x, y, semi-axes, angle of the long axis (deg).

    The conic is A x^2 + B x y + C y^2 + D x + E y = 1 about the points' mean, scaled to unit size.
    """
    mean = np.array([outline[:, 0].mean(), outline[:, 1].mean()])
    size = math.sqrt(((outline - mean) ** 2).sum() / outline.shape[0])
    if not size > 0:
        return np.full(5, np.nan)
    x, y = (outline[:, 0] - mean[0]) / size, (outline[:, 1] - mean[1]) / size
    design = np.stack((x * x, x * y, y * y, x, y))
    a, b, c, d, e = np.linalg.solve(design @ design.T, design.sum(axis=1))
    cx = (b * e - 2 * c * d) / (4 * a * c - b * b)
    cy = (b * d - 2 * a * e) / (4 * a * c - b * b)
    level = 1 + a * cx * cx + b * cx * cy + c * cy * cy
    split = math.hypot(a - c, b)
    major, minor = math.sqrt(2 * level / (a + c - split)), math.sqrt(2 * level / (a + c + split))
    angle = math.degrees(0.5 * math.atan2(-b, c - a)) % 180.0
    return np.array([mean[0] + size * cx, mean[1] + size * cy, size * major, size * minor, angle])


@njit(cache=True, nogil=True, error_model="numpy")
def glint_point(axes: Floats, surf: Surfaces, led: Floats, camera: Floats) -> Floats:
    """(3,) point of the cornea, in the head, that mirrors the lamp into the camera; NaN beyond the limbus.

    The normal there halves the angle between lamp and camera. Both are far away against the radius of the
    cornea, so repeating that rule settles on it.
    """
    centre = axes[:, 2] * surf.cornea_centre_mm
    point = centre
    for _ in range(12):
        to_led, to_camera = led - point, camera - point
        half = to_led / np.linalg.norm(to_led) + to_camera / np.linalg.norm(to_camera)
        point = centre + half * (surf.cornea_radius_mm / np.linalg.norm(half))
    if (point * axes[:, 2]).sum() < surf.limbus_mm:
        return np.full(3, np.nan)
    return point
