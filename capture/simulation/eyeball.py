"""Kernels that paint the eyeball: each pixel's ray is followed to the iris and to the sclera, row by row."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from capture.simulation.optics import Floats, Surfaces, glint_point, straight_pixel
from capture.simulation.texture import REFERENCE_PUPIL, Picture

RUFF_MM = 0.12  # dark frill of pigment at the pupil's edge (from memory)
LIMBUS_BLUR_MM = 0.7  # width over which cornea turns into sclera (from memory)
SHARE_END = 0.995  # where the pattern of the iris ends


class Tones(NamedTuple):
    """Reflectances of one eye, and the look of its parts."""

    pupil: float
    iris: float
    sclera: float
    iris_contrast: float
    ruff: float  # darkening 0..1 of the iris at the pupil's edge


class Row(NamedTuple):
    """What the rays of one row of pixels meet; arrays (w,)."""

    iris_share: Floats  # 1 inside the limbus, 0 on the sclera
    edge_mm: Floats  # distance outward from the pupil's edge, on the iris plane
    disc_x: Floats  # place in the texture of the iris, from its centre, in half widths
    disc_y: Floats
    u: Floats  # from the pupil's centre, mm
    v: Floats
    white_x: Floats  # place in the texture of the sclera, from its centre, in half widths
    white_y: Floats
    white_light: Floats  # cosine of the light's incidence on the sclera, at least 0.2


@njit(cache=True, nogil=True, error_model="numpy")
def new_row(width: int) -> Row:
    """Room for one row."""
    b = np.zeros((9, width))
    return Row(b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7], b[8])


@njit(cache=True, nogil=True, error_model="numpy")
def trace_iris(row: Row, rays: Floats, y: int, span: tuple[int, int], surf: Surfaces, pupil: Floats) -> None:
    """Fill the iris' part of a row: `optics.refract` without branches, so that several pixels run at once.

    Rings run on the iris from the pupil's edge (share 0) to the limbus (share 1), their centres from the
    pupil's to the axis: |e| = r + share reach, with e = point - (1 - share) pupil's centre.
    """
    ox, oy, oz = rays[0, 0], rays[0, 1], rays[0, 2] - surf.cornea_centre_mm
    bx, by, bz = (rays[1] + y * rays[3])[0], (rays[1] + y * rays[3])[1], (rays[1] + y * rays[3])[2]
    sx, sy, sz = rays[2, 0], rays[2, 1], rays[2, 2]
    ratio, radius = surf.index_ratio, surf.cornea_radius_mm
    c = ox * ox + oy * oy + oz * oz - radius * radius
    plane, front = surf.pupil_plane_mm - surf.cornea_centre_mm, surf.limbus_mm - surf.cornea_centre_mm - 1.0
    outer, per_blur = surf.iris_radius_mm + 0.5 * LIMBUS_BLUR_MM, 1 / LIMBUS_BLUR_MM
    pu, pv, pr = pupil[0], pupil[1], pupil[2]
    reach = surf.iris_radius_mm - pr
    qa = reach * reach - pu * pu - pv * pv
    per_qa, per_2r = 1 / qa, 0.5 / pr
    share_row, edge_row = row.iris_share[span[0] : span[1]], row.edge_mm[span[0] : span[1]]
    disc_x, disc_y = row.disc_x[span[0] : span[1]], row.disc_y[span[0] : span[1]]
    u_row, v_row = row.u[span[0] : span[1]], row.v[span[0] : span[1]]
    for k in range(share_row.size):
        x = span[0] + k
        dx, dy, dz = bx + x * sx, by + x * sy, bz + x * sz
        a = dx * dx + dy * dy + dz * dz
        b = dx * ox + dy * oy + dz * oz
        square = b * b - a * c
        root = math.sqrt(max(square, 0.0))
        far = -(b + root) / a
        px, py, pz = ox + far * dx, oy + far * dy, oz + far * dz
        inside = root / radius
        bend = (ratio * inside - math.sqrt(a - ratio * ratio * (a - inside * inside))) / radius
        rx, ry, rz = ratio * dx + bend * px, ratio * dy + bend * py, ratio * dz + bend * pz
        down = (plane - pz) / min(rz, -1e-6)  # at the far rim a ray may run along the iris
        u, v = px + down * rx - pu, py + down * ry - pv
        away = (outer - math.sqrt(px * px + py * py)) * per_blur
        ramp = min(max(away, 0.0), 1.0) if (square > 0.0) & (pz > front) else 0.0
        beyond = u * u + v * v - pr * pr
        qb = pr * reach - u * pu - v * pv
        share = (math.sqrt(max(qb * qb + qa * beyond, 0.0)) - qb) * per_qa
        share = min(max(share, 0.0), 1.2)
        place = (REFERENCE_PUPIL + (1 - REFERENCE_PUPIL) * min(share, SHARE_END)) / (pr + share * reach)
        share_row[k] = ramp * ramp * (3 - 2 * ramp)
        edge_row[k] = beyond * per_2r
        disc_x[k], disc_y[k] = place * (u + share * pu), place * (v + share * pv)
        u_row[k], v_row[k] = u, v


@njit(cache=True, nogil=True, error_model="numpy")
def trace_sclera(
    row: Row, rays: Floats, y: int, span: tuple[int, int], surf: Surfaces, light: Floats
) -> None:
    """Fill the sclera's part of a row: a sphere, laid flat by stereographic projection for its texture."""
    ox, oy, oz = rays[0, 0], rays[0, 1], rays[0, 2] - surf.sclera_centre_mm
    bx, by, bz = (rays[1] + y * rays[3])[0], (rays[1] + y * rays[3])[1], (rays[1] + y * rays[3])[2]
    sx, sy, sz = rays[2, 0], rays[2, 1], rays[2, 2]
    per_r = 1 / surf.sclera_radius_mm
    c = ox * ox + oy * oy + oz * oz - surf.sclera_radius_mm**2
    lx, ly, lz = light[0], light[1], light[2]
    white_x, white_y = row.white_x[span[0] : span[1]], row.white_y[span[0] : span[1]]
    white_light = row.white_light[span[0] : span[1]]
    for k in range(white_x.size):
        x = span[0] + k
        dx, dy, dz = bx + x * sx, by + x * sy, bz + x * sz
        a = dx * dx + dy * dy + dz * dz
        b = dx * ox + dy * oy + dz * oz
        square = b * b - a * c
        far = -(b + math.sqrt(max(square, 0.0))) / a
        nx, ny, nz = (ox + far * dx) * per_r, (oy + far * dy) * per_r, (oz + far * dz) * per_r
        flat = 1 / max(1.0 + nz, 0.5)
        white_x[k] = min(max(nx * flat, -0.99), 0.99)
        white_y[k] = min(max(ny * flat, -0.99), 0.99)
        white_light[k] = max(nx * lx + ny * ly + nz * lz, 0.2) if square > 0.0 else 0.2


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def lookup(picture, x, y):
    """Bilinear value of a picture at a point inside it."""
    x0, y0 = int(x), int(y)
    fx, fy = np.float32(x - x0), np.float32(y - y0)
    top = picture[y0, x0] + fx * (picture[y0, x0 + 1] - picture[y0, x0])
    low = picture[y0 + 1, x0] + fx * (picture[y0 + 1, x0 + 1] - picture[y0 + 1, x0])
    return top + fy * (low - top)


@njit(cache=True, nogil=True, error_model="numpy")
def open_span(lids: Floats, y: int) -> tuple[int, int]:
    """First column, and the one after the last, where row y lies between the lids."""
    first, last = lids.shape[1], 0
    for x in range(lids.shape[1]):
        if lids[0, x] - 2.0 <= y <= lids[1, x] + 2.0:
            first, last = min(first, x), x + 1
    return min(first, last), last


@njit(cache=True, nogil=True, error_model="numpy")
def limbus_box(rays: Floats, surf: Surfaces) -> tuple[int, int, int, int]:
    """Columns (first, after the last) and rows between which the cornea appears, with room to spare."""
    ring = np.array([0.0, 0.0, surf.limbus_mm])
    middle = straight_pixel(rays, ring)
    reach_mm = surf.iris_radius_mm + LIMBUS_BLUR_MM
    distance_mm = math.sqrt(((rays[0] - ring) ** 2).sum()) - surf.cornea_radius_mm
    reach = 1.1 * reach_mm / (distance_mm * math.sqrt((rays[2] ** 2).sum()))
    return (
        max(0, int(middle[0] - reach)), max(0, int(middle[0] + reach)),
        int(middle[1] - reach), int(middle[1] + reach),
    )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
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
    """Fill `out` (h, w) between the lids, and two pixels beyond, with what each pixel's ray meets.

    pupil: centre u, v and radius, mm; slope: (2, 2) mm of iris per pixel at the pupil; light: (3,) unit
    vector from the eye toward the lamps, in the eye's frame; disc, white: see `texture`.
    """
    height, width = out.shape
    half_disc, half_white = (disc.shape[0] - 1) / 2, (white.shape[0] - 1) / 2
    guu = slope[0, 0] ** 2 + slope[0, 1] ** 2
    guv = slope[0, 0] * slope[1, 0] + slope[0, 1] * slope[1, 1]
    gvv = slope[1, 0] ** 2 + slope[1, 1] ** 2
    near_edge = 2 * math.sqrt(max(guu, gvv))
    iris_light = tones.iris * (0.45 + 0.55 * light[2])
    row = new_row(width)
    left, right, top, low = limbus_box(rays, surf)
    for y in range(max(0, int(lids[0].min()) - 1), min(height, int(lids[1].max()) + 3)):
        first, last = open_span(lids, y)
        trace_sclera(row, rays, y, (first, last), surf, light)
        row.iris_share[first:last] = 0.0
        if top < y < low:
            trace_iris(row, rays, y, (max(first, left), min(last, right)), surf, pupil)
        for x in range(first, last):
            if y < lids[0, x] - 2.0 or y > lids[1, x] + 2.0:
                continue
            iris_share, value = row.iris_share[x], 0.0
            if iris_share > 0.0:
                edge_mm, value = row.edge_mm[x], tones.pupil
                covered = 1.0 if edge_mm > 0 else 0.0
                if abs(edge_mm) < near_edge:
                    u, v = row.u[x], row.v[x]
                    steep = math.sqrt((guu * u * u + 2 * guv * u * v + gvv * v * v) / (u * u + v * v))
                    covered = min(max(0.5 + edge_mm / steep, 0.0), 1.0)
                if covered > 0.0:
                    pattern = lookup(
                        disc, half_disc + half_disc * row.disc_x[x], half_disc + half_disc * row.disc_y[x]
                    )
                    frill = 1.0 - min(max(edge_mm / RUFF_MM, 0.0), 1.0)
                    bright = iris_light * (1.0 + tones.iris_contrast * pattern) * (1.0 - tones.ruff * frill)
                    value += covered * (bright - value)
                value *= iris_share
            if iris_share < 1.0:
                pattern = lookup(
                    white, half_white + half_white * row.white_x[x], half_white + half_white * row.white_y[x]
                )
                value += (1.0 - iris_share) * tones.sclera * (0.6 + 0.4 * row.white_light[x]) * pattern
            out[y, x] = value


@njit(cache=True, nogil=True, error_model="numpy")
def paint_glints(
    out: Picture,
    axes: Floats,
    rays: Floats,
    surf: Surfaces,
    lamps: Floats,
    camera: Floats,
    radius_px: float,
    strength: float,
) -> None:
    """Add the mirror image of each lamp (n, 3): a small bright disc with soft edge, far above white."""
    height, width = out.shape
    reach = int(radius_px + 3)
    back = np.ascontiguousarray(axes.T)
    for lamp in lamps:
        point = glint_point(axes, surf, lamp, camera)
        if math.isnan(point[0]):
            continue
        x, y = straight_pixel(rays, back @ point)
        for row in range(max(0, int(y) - reach), min(height, int(y) + reach + 2)):
            for column in range(max(0, int(x) - reach), min(width, int(x) + reach + 2)):
                inside = radius_px + 0.5 - math.hypot(column - x, row - y)
                out[row, column] += strength * min(max(inside, 0.0), 1.0)
