"""The geometry of an eye seen by a camera off its axis: gaze to picture, and back.

The head's frame is right-handed: x to the patient's left, y up, z forward, in mm, its origin on the vertical
axis about which the eye turns. An eye that looks along Fick angles (h, v, t) has the orientation
Roty(-h) Rotx(-v) Rotz(t). Positions in the picture are pixels from the picture's middle, brought upright
(`capture.direction.upright`): x toward the patient's left for a camera in front, y down.

Model. The entrance pupil rides on a sphere about the eye's centre of rotation; the vertical and the
horizontal centre may lie at different depths. A pinhole camera with its axis through the picture's middle
looks at it. The cornea shifts the apparent pupil along the foreshortened optical axis by
`refraction * radius * sin^4`, sin that of the angle between optical axis and line to the camera. That form
was chosen on exact ray traces of pupils of 2 to 7 mm through spherical corneas of 40 random anatomies: worst
error 0.016 mm (0.09 deg) up to 60 deg off axis.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np
from numba import njit
from numpy.typing import NDArray

PARAMETERS = 14  # entries of EyeModel.vector()
# The pupil's outline narrows as cos(angle / 1.14): own ray traces; 1.121 on 30 real eyes,
# Mathur, Gehrmann & Atchison 2013, J Vis 13(6):3 (from memory).
PUPIL_FLATTENING = 1.14
LARGEST_ANGLE_RAD = math.radians(80.0)  # between optical axis and camera: beyond, the pupil is not seen


class EyeModel(msgspec.Struct, frozen=True):
    """One eye before one camera. Angles in degrees for people; `vector()` holds radians and logarithms."""

    azimuth_left_deg: float  # camera seen from the eye, toward the patient's left
    elevation_deg: float  # camera above the eye
    roll_deg: float  # upright picture's x axis turned toward its y axis
    distance_mm: float  # camera to the pupil that looks straight ahead
    mm_per_px: float  # at that pupil
    straight_x_px: float  # that pupil in the upright picture, from its middle
    straight_y_px: float
    radius_mm: float  # entrance pupil to centre of rotation, mean of horizontal and vertical
    axis_gap_mm: (
        float  # how much deeper the centre of horizontal rotation lies than that of vertical rotation
    )
    pupil_left_deg: float  # direction of the pupil from the centre of rotation, off the line of sight
    pupil_up_deg: float
    refraction: float
    oval_0: float  # a pupil that is not round: log axis ratio times cos and sin of twice the long axis' angle
    oval_45: float

    def vector(self) -> NDArray[np.float64]:
        """(14,) what the kernels take and the fit varies."""
        values = np.array(msgspec.structs.astuple(self), dtype=np.float64)
        values[_ANGLES] = np.radians(values[_ANGLES])
        values[_LOGARITHMS] = np.log(values[_LOGARITHMS])
        return values

    @classmethod
    def from_vector(cls, vector: NDArray[np.float64]) -> EyeModel:
        """The model with this vector (14,)."""
        values = np.array(vector, dtype=np.float64)
        values[_ANGLES] = np.degrees(values[_ANGLES])
        values[_LOGARITHMS] = np.exp(values[_LOGARITHMS])
        return cls(*(float(value) for value in values))


_ANGLES = np.array([0, 1, 2, 9, 10])
_LOGARITHMS = np.array([3, 4, 7])


@njit(cache=True, nogil=True, error_model="numpy")
def _prepare(p: NDArray[np.float64]) -> NDArray[np.float64]:
    """(19,) camera position, focal length, camera axes, pupil vector, gap, refraction, radius of a model."""
    g = np.empty(19)
    sa, ca, se, ce, sr, cr = (
        math.sin(p[0]), math.cos(p[0]), math.sin(p[1]), math.cos(p[1]), math.sin(p[2]), math.cos(p[2])
    )  # fmt: skip
    radius, gap, distance, focal_px = math.exp(p[7]), p[8], math.exp(p[3]), math.exp(p[3] - p[4])
    g[13] = (radius - 0.5 * gap) * math.sin(p[9]) * math.cos(p[10])
    g[14] = (radius - 0.5 * gap) * math.sin(p[10])
    g[15] = (radius - 0.5 * gap) * math.cos(p[9]) * math.cos(p[10])
    g[16], g[17], g[18] = gap, p[11], radius
    toward = (sa * ce, se, ca * ce)
    across, down = (ca, 0.0, -sa), (sa * se, -ce, ca * se)
    # The camera that looked straight at the pupil is turned, the smallest way, to see it at tangent (x, y).
    x, y = p[5] / focal_px, p[6] / focal_px
    norm = math.sqrt(1.0 + x * x + y * y)
    a, b, c = x / norm, y / norm, 1.0 / norm
    k = 1.0 / (1.0 + c)
    for i in range(3):
        g[i] = g[13 + i] + distance * toward[i] + (gap if i == 2 else 0.0)
        right, low = cr * across[i] + sr * down[i], cr * down[i] - sr * across[i]
        g[4 + i] = (1.0 - a * a * k) * right - a * b * k * low - a * toward[i]
        g[7 + i] = -a * b * k * right + (1.0 - b * b * k) * low - b * toward[i]
        g[10 + i] = -a * right - b * low - c * toward[i]
    g[3] = focal_px
    return g


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _turned(h: float, v: float, x: float, y: float, z: float, gap: float) -> tuple[float, float, float]:
    """A point of the eye (x, y, z from the vertical centre of rotation) in the head for gaze h, v (rad)."""
    sh, ch, sv, cv = math.sin(h), math.cos(h), math.sin(v), math.cos(v)
    y, z = y * cv + z * sv, z * cv - y * sv + gap
    return x * ch - z * sh, y, x * sh + z * ch


@njit(cache=True, nogil=True, error_model="numpy")
def _seen(g: NDArray[np.float64], h: float, v: float) -> tuple[float, float, float, float, float, float]:
    """The apparent pupil in camera axes (mm), cosine of the viewing angle, direction of foreshortening."""
    px, py, pz = _turned(h, v, g[13], g[14], g[15], g[16])
    ax, ay, az = _turned(h, v, g[13], g[14], g[15], 0.0)
    norm = math.sqrt(ax * ax + ay * ay + az * az)
    ax, ay, az = ax / norm, ay / norm, az / norm
    cx, cy, cz = g[0] - px, g[1] - py, g[2] - pz
    norm = math.sqrt(cx * cx + cy * cy + cz * cz)
    cosine = (ax * cx + ay * cy + az * cz) / norm
    fx, fy, fz = ax - cosine * cx / norm, ay - cosine * cy / norm, az - cosine * cz / norm
    sine_squared = 1.0 - cosine * cosine
    shift = g[17] * g[18] * sine_squared * sine_squared
    dx, dy, dz = shift * fx - cx, shift * fy - cy, shift * fz - cz
    return (
        g[4] * dx + g[5] * dy + g[6] * dz,
        g[7] * dx + g[8] * dy + g[9] * dz,
        g[10] * dx + g[11] * dy + g[12] * dz,
        cosine,
        g[4] * fx + g[5] * fy + g[6] * fz,
        g[7] * fx + g[8] * fy + g[9] * fz,
    )


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _pixel(g: NDArray[np.float64], h: float, v: float) -> tuple[float, float, float]:
    """Where the pupil is seen, and the cosine of the viewing angle."""
    x, y, z, cosine, _, _ = _seen(g, h, v)
    return g[3] * x / z, g[3] * y / z, cosine


@njit(cache=True, nogil=True, error_model="numpy")
def picture_position(vector: NDArray[np.float64], gaze_rad: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n, 2) upright pixels of the pupil's apparent centre for gaze (n, 2) in radians."""
    g = _prepare(vector)
    out = np.empty((len(gaze_rad), 2))
    for i in range(len(gaze_rad)):
        out[i, 0], out[i, 1], _ = _pixel(g, gaze_rad[i, 0], gaze_rad[i, 1])
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def pupil_shape(vector: NDArray[np.float64], gaze_rad: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n, 2) shape of the pupil's outline: log(major / minor) times cos, sin of twice the long axis' angle.

    The outline narrows along the direction in which the eye's own axis leans away from the camera.
    """
    g = _prepare(vector)
    out = np.empty((len(gaze_rad), 2))
    for i in range(len(gaze_rad)):
        _, _, _, cosine, fx, fy = _seen(g, gaze_rad[i, 0], gaze_rad[i, 1])
        angle = math.acos(min(1.0, max(cosine, 0.0))) / PUPIL_FLATTENING
        narrowing = -math.log(math.cos(angle)) / max(fx * fx + fy * fy, 1e-12)
        out[i, 0] = -narrowing * (fx * fx - fy * fy) + vector[12]
        out[i, 1] = -narrowing * 2.0 * fx * fy + vector[13]
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def gaze(
    vector: NDArray[np.float64], upright_px: NDArray[np.float64], torsion_rad: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(n, 2) gaze in radians of pupils seen at (n, 2); NaN where missing or beyond what an eye can show.

    Torsion (n,) counts because the pupil lies off the line of sight and so moves with it: by some 0.05 deg
    per deg. Newton's method on the model itself, exact to 1e-6 px.
    """
    g = _prepare(vector)
    left, up = g[13], g[14]
    out = np.full((len(upright_px), 2), np.nan)
    cosine_limit = math.cos(LARGEST_ANGLE_RAD)
    for i in range(len(upright_px)):
        x, y = upright_px[i, 0], upright_px[i, 1]
        if not (math.isfinite(x) and math.isfinite(y)):
            continue
        st, ct = math.sin(torsion_rad[i]), math.cos(torsion_rad[i])
        g[13], g[14] = left * ct - up * st, left * st + up * ct
        h, v = 0.0, 0.0
        for _ in range(20):
            x0, y0, cosine = _pixel(g, h, v)
            ex, ey = x - x0, y - y0
            if ex * ex + ey * ey < 1e-12:
                if cosine > cosine_limit:
                    out[i, 0], out[i, 1] = h, v
                break
            xh, yh, _ = _pixel(g, h + 1e-5, v)
            xv, yv, _ = _pixel(g, h, v + 1e-5)
            a, b, c, d = (xh - x0) * 1e5, (xv - x0) * 1e5, (yh - y0) * 1e5, (yv - y0) * 1e5
            determinant = a * d - b * c
            if determinant == 0.0:
                break
            step_h, step_v = (d * ex - b * ey) / determinant, (a * ey - c * ex) / determinant
            length = math.sqrt(step_h * step_h + step_v * step_v)
            shorten = min(1.0, 0.3 / length)  # a full step may jump to the hidden side of the sphere
            h, v = h + shorten * step_h, v + shorten * step_v
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def iris_rotation(
    vector: NDArray[np.float64], gaze_rad: NDArray[np.float64], torsion_rad: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(n,) rotation (rad, x toward y) of the iris in the upright picture for gaze (n, 2) and torsion (n,).

    The iris plane's axes (toward the patient's left, down) as the picture shows them form a matrix M = S Rot,
    (2, 2); the rotation is that of its polar decomposition. The cornea stretches along the direction of
    foreshortening, which is an axis of S: it leaves the rotation as it is.
    """
    g = _prepare(vector)
    sl, cl, su, cu = math.sin(vector[9]), math.cos(vector[9]), math.sin(vector[10]), math.cos(vector[10])
    out = np.full(len(gaze_rad), np.nan)
    for i in range(len(gaze_rad)):
        h, v = gaze_rad[i, 0], gaze_rad[i, 1]
        if not math.isfinite(h + v + torsion_rad[i]):
            continue
        st, ct = math.sin(torsion_rad[i]), math.cos(torsion_rad[i])
        lx, ly, lz = _turned(h, v, cl * ct, cl * st, -sl, 0.0)
        dx, dy, dz = _turned(h, v, sl * su * ct + cu * st, sl * su * st - cu * ct, cl * su, 0.0)
        x, y, z, _, _, _ = _seen(g, h, v)
        tx, ty = x / z, y / z
        a = (g[4] - tx * g[10]) * lx + (g[5] - tx * g[11]) * ly + (g[6] - tx * g[12]) * lz
        b = (g[4] - tx * g[10]) * dx + (g[5] - tx * g[11]) * dy + (g[6] - tx * g[12]) * dz
        c = (g[7] - ty * g[10]) * lx + (g[8] - ty * g[11]) * ly + (g[9] - ty * g[12]) * lz
        d = (g[7] - ty * g[10]) * dx + (g[8] - ty * g[11]) * dy + (g[9] - ty * g[12]) * dz
        out[i] = math.atan2(c - b, a + d)
    return out
