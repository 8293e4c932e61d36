"""Kernels that paint one picture: the eyeball ray by ray, glints, lids and lashes over it, then the sensor."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from capture.simulation.optics import Floats, Surfaces, refract

Picture = NDArray[np.float32]
RUFF_MM = 0.12  # dark frill of pigment at the pupil's edge (from memory)
LIMBUS_BLUR_MM = 0.7  # width over which cornea turns into sclera (from memory)


class Tones(NamedTuple):
    """Reflectances of one eye, and the look of its parts."""

    pupil: float
    iris: float
    sclera: float
    iris_contrast: float
    ruff: float  # darkening 0..1 of the iris at the pupil's edge


class Surroundings(NamedTuple):
    """Everything round the eye that was painted once for this camera; arrays in the upright picture."""

    skin: Picture  # (h, w) as seen with the lids away
    shade: Picture  # (h, w) brightness of smooth skin
    fold: Floats  # (w,) row of the crease of the upper lid
    lid: Picture  # (rows, w) pattern of the upper lid from the crease to its margin
    upper_lashes: Picture  # (rows, w) darkness, row 0 at the margin
    lower_lashes: Picture
    px_per_mm: float


@njit(cache=True, nogil=True, inline="always")
def lookup(picture, x, y):  # noqa: ANN001, ANN201
    """Bilinear value of a picture at a point inside it."""
    x0, y0 = int(x), int(y)
    fx, fy = np.float32(x - x0), np.float32(y - y0)
    top = picture[y0, x0] + fx * (picture[y0, x0 + 1] - picture[y0, x0])
    low = picture[y0 + 1, x0] + fx * (picture[y0 + 1, x0 + 1] - picture[y0 + 1, x0])
    return top + fy * (low - top)


@njit(cache=True, nogil=True)
def paint_eyeball(
    out: Picture,
    rays: Floats,
    surf: Surfaces,
    pupil: Floats,
    slope: Floats,
    disc: Picture,
    white: Picture,
    tones: Tones,
    light: Floats,
    lids: Floats,
) -> None:
    """Fill `out` (h, w) between the lids with what each pixel's ray meets.

    pupil: centre u, v and radius, mm; slope: (2, 2) mm of iris per pixel at the pupil; light: (3,) unit vector
    from the eye toward the lamps, in the eye's frame; disc, white: textures (`texture.iris_disc`, `sclera_map`).
    """
    height, width = out.shape
    ox, oy, oz = rays[0, 0], rays[0, 1], rays[0, 2]
    half_disc, half_white = (disc.shape[0] - 1) / 2, (white.shape[0] - 1) / 2
    pu, pv, pr = pupil[0], pupil[1], pupil[2]
    reach = surf.iris_radius_mm - pr
    qa = reach * reach - pu * pu - pv * pv  # the rings between pupil and limbus: see below
    reference = 0.3
    guu = slope[0, 0] ** 2 + slope[0, 1] ** 2
    guv = slope[0, 0] * slope[1, 0] + slope[0, 1] * slope[1, 1]
    gvv = slope[1, 0] ** 2 + slope[1, 1] ** 2
    near_edge = 2 * math.sqrt(max(guu, gvv))
    iris_light = tones.iris * (0.45 + 0.55 * light[2])
    first = max(0, int(lids[0].min()) - 1)
    last = min(height, int(lids[1].max()) + 3)
    limbus_rho, blur = surf.iris_radius_mm, LIMBUS_BLUR_MM
    for y in range(first, last):
        bx = rays[1, 0] + y * rays[3, 0]
        by = rays[1, 1] + y * rays[3, 1]
        bz = rays[1, 2] + y * rays[3, 2]
        for x in range(width):
            if y < lids[0, x] - 1.5 or y > lids[1, x] + 1.5:
                continue
            dx, dy, dz = bx + x * rays[2, 0], by + x * rays[2, 1], bz + x * rays[2, 2]
            px, py, pz, u, v = refract(
                ox, oy, oz, dx, dy, dz, surf.cornea_centre_mm, surf.cornea_radius_mm, surf.index_ratio,
                surf.pupil_plane_mm,
            )  # fmt: skip
            iris_share = 0.0
            if pz > surf.limbus_mm - 1.0:
                ramp = (limbus_rho + 0.5 * blur - math.sqrt(px * px + py * py)) / blur
                ramp = min(max(ramp, 0.0), 1.0)
                iris_share = ramp * ramp * (3 - 2 * ramp)
            value = 0.0
            if iris_share > 0.0:
                # Rings run from the pupil's edge (share 0) to the limbus (share 1), their centres from the
                # pupil's to the axis: |e| = pr + share reach with e = point - (1 - share) pupil's centre.
                eu, ev = u - pu, v - pv
                square = eu * eu + ev * ev
                edge_mm = (square - pr * pr) / (2 * pr)
                covered = 1.0 if edge_mm > 0 else 0.0
                if abs(edge_mm) < near_edge:
                    steep = math.sqrt((guu * eu * eu + 2 * guv * eu * ev + gvv * ev * ev) / square)
                    covered = min(max(0.5 + edge_mm / steep, 0.0), 1.0)
                seen = tones.pupil
                if covered > 0.0:
                    qb = pr * reach - eu * pu - ev * pv
                    share = (math.sqrt(max(qb * qb + qa * (square - pr * pr), 0.0)) - qb) / qa
                    share = min(max(share, 0.0), 1.2)
                    eu += share * pu
                    ev += share * pv
                    place = (
                        half_disc * (reference + (1 - reference) * min(share, 0.995)) / (pr + share * reach)
                    )
                    pattern = lookup(disc, half_disc + place * eu, half_disc + place * ev)
                    frill = max(0.0, 1.0 - edge_mm / RUFF_MM) if edge_mm > 0 else 1.0
                    bright = iris_light * (1.0 + tones.iris_contrast * pattern) * (1.0 - tones.ruff * frill)
                    seen += covered * (bright - seen)
                value = iris_share * seen
            if iris_share < 1.0:
                sz = oz - surf.sclera_centre_mm
                a = dx * dx + dy * dy + dz * dz
                b = dx * ox + dy * oy + dz * sz
                hit = b * b - a * (ox * ox + oy * oy + sz * sz - surf.sclera_radius_mm**2)
                seen = 0.5 * tones.sclera
                if hit > 0.0:
                    far = -(b + math.sqrt(hit)) / a
                    r = 1.0 / surf.sclera_radius_mm
                    nx, ny, nz = (ox + far * dx) * r, (oy + far * dy) * r, (sz + far * dz) * r
                    facing = max(nx * light[0] + ny * light[1] + nz * light[2], 0.0)
                    flat = min(half_white / (1.0 + nz), 8.0 * half_white)
                    wx = min(max(half_white + nx * flat, 0.0), 2 * half_white - 1.001)
                    wy = min(max(half_white + ny * flat, 0.0), 2 * half_white - 1.001)
                    seen = tones.sclera * (0.35 + 0.65 * facing) * lookup(white, wx, wy)
                value += (1.0 - iris_share) * seen
            out[y, x] = value


@njit(cache=True, nogil=True)
def paint_glint(out: Picture, x: float, y: float, radius_px: float, strength: float) -> None:
    """Add the mirror image of a lamp: a small bright disc with soft edge, far above white."""
    height, width = out.shape
    reach = int(radius_px + 3)
    for row in range(max(0, int(y) - reach), min(height, int(y) + reach + 2)):
        for column in range(max(0, int(x) - reach), min(width, int(x) + reach + 2)):
            inside = radius_px + 0.5 - math.hypot(column - x, row - y)
            out[row, column] += strength * min(max(inside, 0.0), 1.0)


@njit(cache=True, nogil=True)
def cover(out: Picture, eyeball: Picture, lids: Floats, around: Surroundings) -> None:
    """Lay skin, lids and lashes (all of `around`) over the eyeball into `out` (h, w)."""
    height, width = out.shape
    out[:] = around.skin
    mm = around.px_per_mm
    below_px = 5.0 * mm
    rest = around.fold
    for y in range(height):
        for x in range(width):
            top, low = lids[0, x], lids[1, x]
            fold = min(rest[x], top - 3.0)
            if y < fold or y > low + below_px + around.lower_lashes.shape[0]:
                continue
            over = min(max(top - y + 0.5, 0.0), 1.0)
            under = min(max(y - low + 0.5, 0.0), 1.0)
            value = 0.0
            if over > 0.0:
                part = (y - fold) / (top - fold)
                row = min(max(part, 0.0), 0.9999) * (around.lid.shape[0] - 1)
                r0 = int(row)
                pattern = around.lid[r0, x] + (row - r0) * (around.lid[r0 + 1, x] - around.lid[r0, x])
                crease = (y - fold) / (0.5 * mm)
                rim = max(0.0, 1.0 - (top - y) / (0.9 * mm))
                dark = (1.0 - 0.30 / (1.0 + crease * crease)) * (1.0 - 0.22 * rim)
                value += over * around.shade[y, x] * pattern * dark
            rest_share = 1.0 - over
            if rest_share > 0.0 and under < 1.0:
                away = (y - top) / (0.9 * mm)
                value += rest_share * (1.0 - under) * eyeball[y, x] * (1.0 - 0.35 / (1.0 + away * away))
            if rest_share > 0.0 and under > 0.0:
                rim = max(0.0, 1.0 - (y - low) / (1.1 * mm))
                value += rest_share * under * around.skin[y, x] * (1.0 + 0.16 * rim)
            lash = lash_at(around.upper_lashes, x, y - top + 0.6 * mm)
            lash = max(lash, 0.6 * lash_at(around.lower_lashes, x, y - low - 0.8 * mm))
            out[y, x] = value + lash * (0.14 - value)


@njit(cache=True, nogil=True, inline="always")
def lash_at(strip, x, row):  # noqa: ANN001, ANN201
    """Darkness of the lashes at a row below their roots, 0 outside the strip."""
    if row < 0.0 or row >= strip.shape[0] - 1.001:
        return 0.0
    r0 = int(row)
    return strip[r0, x] + (row - r0) * (strip[r0 + 1, x] - strip[r0, x])


@njit(cache=True, nogil=True)
def mixed(state: np.uint64) -> np.uint64:
    """One step of SplitMix64 (Steele, Lea & Flood, OOPSLA 2014; from memory): a well-mixed 64-bit number."""
    state = state + np.uint64(0x9E3779B97F4A7C15)
    state = (state ^ (state >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    state = (state ^ (state >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return state ^ (state >> np.uint64(31))


@njit(cache=True, nogil=True)
def expose(
    scene: Picture,
    falloff: Picture,
    bank: Picture,
    key: np.uint64,
    level: float,
    per_level: float,
    read: float,
) -> NDArray[np.uint8]:
    """The sensor: levels = scene * falloff * level, photon and read noise, 8 bits.

    bank: standard normal values; each row of each picture starts at its own place in it, chosen by `key`.
    """
    height, width = scene.shape
    image = np.empty((height, width), np.uint8)
    room = np.uint64(bank.size - width)
    scale, photons, floor = np.float32(level), np.float32(per_level), np.float32(read * read)
    low, high, half = np.float32(0.0), np.float32(255.0), np.float32(0.5)
    for y in range(height):
        start = np.int64(mixed(key * np.uint64(65536) + np.uint64(y)) % room)
        noise = bank[start : start + width]
        for x in range(width):
            signal = scene[y, x] * falloff[y, x] * scale
            value = signal + noise[x] * np.sqrt(signal * photons + floor)
            image[y, x] = np.uint8(min(max(value + half, low), high))
    return image
