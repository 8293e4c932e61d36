"""Kernel that lays skin, lids and lashes over the eyeball."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from capture.simulation.optics import Floats
from capture.simulation.texture import Picture

CREASE_MM = 1.0  # half width of the crease above the upper lid
CREASE_DARK = 0.30
SHADOW_MM = 2.2  # reach of the upper lid's shadow on the eyeball
SHADOW_DARK = 0.35
RIM_MM = 1.0  # thickness of a lid's edge
LASH = 0.14  # reflectance of lashes


class Surroundings(NamedTuple):
    """Everything round the eye that was painted once for this camera; arrays in the upright picture."""

    skin: Picture  # (h, w) as seen with the lids away
    shade: Picture  # (h, w) brightness of smooth skin
    fold: Floats  # (w,) row of the crease of the upper lid
    lid: Picture  # (rows, w) pattern of the upper lid from the crease to its margin
    fringe: Floats  # (w,) 1 along the lids, 0 beyond their corners
    upper_lashes: Picture  # (rows, w) darkness, row 0 at the roots
    lower_lashes: Picture
    px_per_mm: float


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def bump(distance):
    """1 at 0, falling smoothly to 0 at 1 and beyond."""
    left = max(1.0 - distance * distance, 0.0)
    return left * left


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def between(strip, x, row):
    """Value of a strip between two of its rows; the row must lie inside."""
    r0 = int(row)
    return strip[r0, x] + (row - r0) * (strip[r0 + 1, x] - strip[r0, x])


@njit(cache=True, nogil=True, error_model="numpy")
def cover(out: Picture, eyeball: Picture, lids: Floats, around: Surroundings) -> None:
    """Paint the whole of `out` (h, w): `around`, and the eyeball between the margins `lids` (2, w)."""
    height = out.shape[0]
    out[:] = around.skin
    mm = around.px_per_mm
    shadow, rim, crease = 1 / (SHADOW_MM * mm), 1 / (RIM_MM * mm), 1 / (CREASE_MM * mm)
    tops, lows, fringe = lids[0], lids[1], around.fringe
    folds = np.minimum(around.fold, tops - 3.0)
    stretch = (around.lid.shape[0] - 1.001) / (tops - folds)
    first, last = between_corners(fringe)
    for y in range(max(0, int(folds.min())), min(height, int(lows.max() + mm) + 3)):
        for x in range(first, last):
            if y < folds[x]:
                continue
            top, low = tops[x], lows[x]
            if y > top + 0.5 and y < low - 0.5:
                out[y, x] = eyeball[y, x] * (1.0 - SHADOW_DARK * bump((y - top) * shadow))
                continue
            over = min(max(top - y + 0.5, 0.0), 1.0)
            under = (1.0 - over) * min(max(y - low + 0.5, 0.0), 1.0)
            value = 0.0
            if over > 0.0:
                pattern = between(
                    around.lid, x, min((y - folds[x]) * stretch[x], around.lid.shape[0] - 1.001)
                )
                dark = 1.0 - fringe[x] * CREASE_DARK * bump((y - folds[x]) * crease)
                dark *= 1.0 - fringe[x] * 0.22 * max(0.0, 1.0 - max(top - y, 0.0) * rim)
                value += over * around.shade[y, x] * pattern * dark
            if under > 0.0:
                value += (
                    under
                    * around.skin[y, x]
                    * (1.0 + fringe[x] * 0.16 * max(0.0, 1.0 - max(y - low, 0.0) * rim))
                )
            if over + under < 1.0:
                value += (1.0 - over - under) * eyeball[y, x] * (1.0 - SHADOW_DARK)
            out[y, x] = value
    add_lashes(out, around.upper_lashes, tops - 0.6 * mm, first, last)
    add_lashes(out, around.lower_lashes, lows + 0.8 * mm, first, last)


@njit(cache=True, nogil=True, error_model="numpy")
def between_corners(fringe: Floats) -> tuple[int, int]:
    """First column, and the one after the last, that the lids reach."""
    first, last = 0, fringe.size
    while first < last and fringe[first] == 0.0:
        first += 1
    while last > first and fringe[last - 1] == 0.0:
        last -= 1
    return first, last


@njit(cache=True, nogil=True, error_model="numpy")
def add_lashes(out: Picture, strip: Picture, roots: Floats, first: int, last: int) -> None:
    """Lay lashes over columns `first` up to `last` of `out` (h, w); they start at the rows `roots` (w,)."""
    height = out.shape[0]
    reach = strip.shape[0] - 1
    dark = np.float32(LASH)
    for x in range(first, last):
        y0 = math.ceil(roots[x])
        part = np.float32(y0 - roots[x])  # the same between two rows of the strip all the way down
        for k in range(max(0, -y0), min(reach, height - y0)):
            lash = strip[k, x] + part * (strip[k + 1, x] - strip[k, x])
            out[y0 + k, x] += lash * (dark - out[y0 + k, x])
