"""The ring between pupil and limbus, unwrapped, with what hides it weighed out.

The ring is unwrapped through the pupil's symmetric stretch S (circle -> ellipse): a cell at angle phi and
radius rho lies at c + S rho (cos phi, sin phi). If the iris goes to the picture by M = S Rot(psi), its
pattern moves along phi by psi and by nothing else, so a shift of the unwrapped ring is the wanted rotation.

What stays with the head and not with the iris must carry no weight, or it holds the measured rotation back:
glints, and above all the lids, their lashes and shadows. Each ring is then scaled to the unit spread of what
is fine along phi. Its slow course (light and shade, which stay with the lamp) is taken away only where two
rings are compared, over the cells that both show: taken from each alone it would bend beside what is hidden,
where the mean of a neighbourhood is that of one side, and this is not alike in two pictures.

A ring is kept with its ends repeated (PAD cells on either side), so that no loop has to look for the seam.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from capture.ellipse import Floats, kernel, semi_axes
from capture.pupil_checks import CONTRAST, DARK
from capture.pupil_edge import Image, grey_at, quantile

Cells = NDArray[np.float32]  # (RINGS, WIDTH)

ANGLES = 360
RINGS = 8
NEAREST, FARTHEST = 0.15, 0.95  # first and last ring, share of the way from the pupil to the limbus
LOOKS_PER_PX, MOST_LOOKS = 2.0, 3  # samples outward that a cell is the mean of
GLINT = 2.5  # times the pupil's contrast, above its level: brighter is a glint
OUTSIDE = np.float32(-1e6)  # far below every grey level
# FINE, MARGIN, FOREIGN, HALF and those of the lashes were chosen on simulated eyes (24 and 29 anatomies,
# cameras, pupils), for a slope of 1 in turns below half a degree. Rendered recordings were looked at only
# for DARKER: of two values alike on simulated eyes the one with less noise there. FARTHEST and the looks
# were chosen on 48 other simulated eyes, for little noise within 15 deg of gaze, the limbus' cap on 160 more.
PAD = 40  # more than the largest rotation looked for and half of the slow course
WIDTH = ANGLES + 2 * PAD
HALF = 16  # half of the slow course along phi, in cells
HALO = 4  # cells around a glint that its light still reaches
FINE = 5  # cells to either side over which the iris' own pattern is averaged away when lids are looked for
MARGIN = 8  # cells beside a lid that its lashes and shadow still reach
FOREIGN = 2.8  # spreads beyond which a cell shows something else than iris
# Grey levels beyond that, which noise and coding account for: much of an iris with little texture was taken
# for lids. Chosen between 1.4 and 4.2 on 45 simulated eyes and 32 with drooping lids; s11 was looked at.
FOREIGN_LEVELS = 2.8
WIDE = 25  # cells to either side over which lashes, thin and apart, darken the iris together
LASH_MARGIN = 4  # cells beside such a place that it still reaches
DARKER = 2.0  # spreads by which it is darker than its ring usually is
DARKER_LEVELS = 1.0  # grey levels beyond that: lashes of a small picture are faint
MOST_TEXTURE = 3.0  # spreads; stronger is a lash or a lid's edge: its weight, not its sign, is limited

# No kernel lays an array into another (a[:] = b): the message of unlike shapes takes seconds to compile.

# sums in any order, so that the processor may do several at once; NaN keeps its meaning
summing = njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz", "arcp"})

PHI = 2 * math.pi * (np.arange(WIDTH) - PAD) / ANGLES
COS, SIN = np.cos(PHI), np.sin(PHI)
COS32, SIN32 = COS.astype(np.float32), SIN.astype(np.float32)
COS_TWICE32, SIN_TWICE32 = np.cos(2 * PHI).astype(np.float32), np.sin(2 * PHI).astype(np.float32)


def empty_ring() -> Cells:
    """Room for one unwrapped ring, or for its weights."""
    return np.zeros((RINGS, WIDTH), np.float32)


def radii(limbus: float) -> NDArray[np.float64]:
    """(RINGS,) of the rings, `limbus` that of the iris; in pupils."""
    return 1.0 + np.linspace(NEAREST, FARTHEST, RINGS) * (limbus - 1.0)


@kernel
def limbus_px(image: Image, outline: Floats) -> float:
    """Radius of the iris before foreshortening: the ring with the most even rise toward the white, or NaN."""
    around, reach = 72, 64
    major, _, _ = semi_axes(outline[:5])
    profile = np.empty((around, reach))
    for k in range(around):
        u, v = math.cos(2 * math.pi * k / around), math.sin(2 * math.pi * k / around)
        for j in range(reach):
            rho = 1.2 + 0.06 * j
            profile[k, j] = grey_at(
                image,
                outline[0] + rho * (outline[2] * u + outline[3] * v),
                outline[1] + rho * (outline[3] * u + outline[4] * v),
            )
    best, place, cap = 0.0, -1, 0.8 * outline[CONTRAST]
    for j in range(4, reach - 4):
        count, rises = 0, 0.0
        for k in range(around):
            below = min(profile[k, j - 4], profile[k, j - 3])
            if below >= 0.0 and profile[k, j + 4] >= 0.0:
                rise = profile[k, j + 4] + profile[k, j + 3] - profile[k, j - 4] - profile[k, j - 3]
                # lids hide much of the limbus, and their own edges rise more, over fewer directions
                rises += min(max(0.5 * rise, 0.0), cap)
                count += 1
        strength = rises / count if count >= around // 2 else 0.0
        if strength > best:
            best, place = strength, j
    return (1.2 + 0.06 * place) * major if best > 0.1 * cap else math.nan


@summing
def unwrap(image: Image, outline: Floats, iris_px: float, ring: Cells, course: Cells):
    """Fill the middle of the ring with grey levels, each the mean over a cell's share of the way outward.

    -1 where a cell reaches outside the picture; where a glint reaches into one, the glint's own level.
    `course` is room for a ring.
    """
    major = semi_axes(outline[:5])[0]
    outer = iris_px / major
    step = (FARTHEST - NEAREST) * (outer - 1.0) / (RINGS - 1)
    looks = min(max(round(LOOKS_PER_PX * step * major), 1), MOST_LOOKS)
    glint, share = np.float32(outline[DARK] + GLINT * outline[CONTRAST]), np.float32(1.0 / looks)
    grey, width, one, zero = image.ravel(), np.uint32(image.shape[1]), np.uint32(1), np.float32(0)
    right, bottom = np.float32(image.shape[1] - 1.001), np.float32(image.shape[0] - 1.001)
    x0, y0 = np.float32(outline[0]), np.float32(outline[1])
    for j in range(RINGS):
        total, brightest = ring[j], course[j]
        total[:], brightest[:] = zero, zero
        for look in range(looks):
            rho = 1.0 + NEAREST * (outer - 1.0) + step * (j - 0.5 + (look + 0.5) / looks)
            p, q, s = np.float32(rho * outline[2]), np.float32(rho * outline[3]), np.float32(rho * outline[4])
            for k in range(PAD, PAD + ANGLES):
                x, y = x0 + p * COS32[k] + q * SIN32[k], y0 + q * COS32[k] + s * SIN32[k]
                px, py = min(max(x, zero), right), min(max(y, zero), bottom)
                column, row = np.uint32(px), np.uint32(py)
                fx, fy, at = px - np.float32(column), py - np.float32(row), row * width + column
                here, beside = np.float32(grey[at]), np.float32(grey[at + one])
                below, across = np.float32(grey[at + width]), np.float32(grey[at + width + one])
                upper, lower = here + fx * (beside - here), below + fx * (across - below)
                level = upper + fy * (lower - upper)
                brightest[k] = max(brightest[k], level)
                total[k] += level if (px == x) & (py == y) else OUTSIDE
        for k in range(PAD, PAD + ANGLES):
            mean = brightest[k] if brightest[k] > glint else total[k] * share
            total[k] = np.float32(-1) if total[k] < zero else mean


@kernel
def uncover(outline: Floats, ring: Cells, weight: Cells, course: Cells, sample: Floats):
    """Weigh every cell 1 that shows iris, 0 what lies behind glints, lids and lashes or outside the picture.

    The iris' pattern runs outward and is fine along phi. What changes outward over many neighbouring
    directions is a lid or its shadow; where a ring is darker over still more of them, lashes hang from a lid.
    What lies farther out in these directions is hidden too. `course` is room for a ring, `sample` for
    ANGLES * RINGS / 4 numbers.
    """
    weight[:] = 1.0
    ceiling = outline[DARK] + GLINT * outline[CONTRAST]
    for j in range(RINGS):
        for k in range(PAD, PAD + ANGLES):
            if ring[j, k] < 0.0:
                weight[j, k] = 0.0
            if ring[j, k] > ceiling:
                for near in range(k - HALO, k + HALO + 1):
                    weight[j, near] = 0.0
    _levels(ring, weight, course, FINE, sample)
    for k in range(PAD, PAD + ANGLES):
        for j in range(RINGS - 1, 0, -1):
            course[j, k] = abs(course[j, k] - course[j - 1, k])
        course[0, k] = abs(course[0, k])
    _hide(weight, course, 0, 1, FOREIGN, FOREIGN_LEVELS, MARGIN, sample)
    _hide(weight, course, 1, RINGS, FOREIGN, FOREIGN_LEVELS, MARGIN, sample)
    _levels(ring, weight, course, WIDE, sample)
    course *= np.float32(-1.0)
    _hide(weight, course, 0, RINGS, DARKER, DARKER_LEVELS, LASH_MARGIN, sample)


@kernel
def _levels(ring: Cells, weight: Cells, course: Cells, reach: int, sample: Floats):
    """How much brighter than its ring usually is a place is, averaged over `reach` cells to either side."""
    for j in range(RINGS):
        middle = _typical(ring[j], weight[j], sample)
        for k in range(PAD, PAD + ANGLES):
            course[j, k] = ring[j, k] - middle if weight[j, k] > 0.0 else 0.0
        _smooth(course[j], reach, sample)


@kernel
def _typical(row: Cells, weight: Cells, sample: Floats) -> float:
    """Median of every fourth cell of a ring that shows iris."""
    count = 0
    for k in range(PAD, PAD + ANGLES, 4):
        if weight[k] > 0.0:
            sample[count] = row[k]
            count += 1
    return quantile(sample, count, 0.5) if count else 0.0


@kernel
def _smooth(row: Cells, reach: int, sums: Floats):
    """Put the mean over 2 reach + 1 cells in the place of each."""
    repeat_ends(row)
    sums[0] = 0.0
    for i in range(ANGLES + 2 * reach):
        sums[i + 1] = sums[i] + row[PAD - reach + i]
    for k in range(ANGLES):
        row[PAD + k] = (sums[k + 2 * reach + 1] - sums[k]) / (2 * reach + 1)


@kernel
def _hide(
    weight: Cells, course: Cells, first: int, end: int, spreads: float, levels: float, margin: int,
    sample: Floats,
):  # fmt: skip
    """Weigh out where rings from `first` to before `end` stand out, and what lies farther out.

    limit: so many spreads, and so many grey levels.
    """
    count = 0
    for j in range(first, end):
        for k in range(PAD + j % 8, PAD + ANGLES, 8):
            sample[count] = abs(course[j, k])
            count += 1
    limit = spreads * 1.4826 * quantile(sample, count, 0.5) + levels
    for k in range(PAD, PAD + ANGLES):
        for j in range(first, end):
            if course[j, k] > limit:
                for hidden in range(max(j - 1, 0), RINGS):
                    weight[hidden, k - margin : k + margin + 1] = 0.0
                break
    for j in range(RINGS):
        for k in range(PAD):  # what reached over the seam
            weight[j, PAD + k] = min(weight[j, PAD + k], weight[j, PAD + ANGLES + k])
            weight[j, ANGLES + k] = min(weight[j, ANGLES + k], weight[j, k])


@kernel
def flatten(ring: Cells, weight: Cells, sums: Floats, weights: Floats):
    """Scale each ring to unit spread beside its slow course along phi, its mean 0, and repeat its ends.

    `sums` and `weights` are room for ANGLES + 2 HALF + 2 numbers each.
    """
    for j in range(RINGS):
        row, seen = ring[j], weight[j]
        repeat_ends(row)
        repeat_ends(seen)
        add_up(row[PAD - HALF :], seen[PAD - HALF :], ANGLES + 2 * HALF, sums, weights)
        middle = (sums[HALF + ANGLES] - sums[HALF]) / (weights[HALF + ANGLES] - weights[HALF])
        square, total = 0.0, 1e-9
        for k in range(ANGLES):
            slow = (sums[k + 2 * HALF + 1] - sums[k]) / (weights[k + 2 * HALF + 1] - weights[k])
            square += seen[PAD + k] * (row[PAD + k] - slow) ** 2
            total += seen[PAD + k]
        scale = math.sqrt(total / square) if square > 0.0 else 0.0
        for k in range(ANGLES):
            slow = (sums[k + 2 * HALF + 1] - sums[k]) / (weights[k + 2 * HALF + 1] - weights[k])
            level = limited((row[PAD + k] - slow) * scale) + limited((slow - middle) * scale)
            row[PAD + k] = level if seen[PAD + k] > 0.0 else 0.0
        repeat_ends(row)


@kernel
def limited(spreads: float) -> float:
    """No stronger than the strongest texture."""
    return min(max(spreads, -MOST_TEXTURE), MOST_TEXTURE)


@kernel
def add_up(row: Cells, weight: Cells, count: int, sums: Floats, weights: Floats):
    """Sums over cells before each of `count` cells and after the last, each weighing a little at least."""
    sums[0], weights[0] = 0.0, 0.0
    for k in range(count):
        sums[k + 1] = sums[k] + weight[k] * row[k]
        weights[k + 1] = weights[k] + weight[k] + 1e-9


@kernel
def repeat_ends(row: Cells):
    """Make a ring (WIDTH,) seamless: PAD cells on either side are those of the other end."""
    for k in range(PAD):
        row[k] = row[k + ANGLES]
        row[PAD + ANGLES + k] = row[PAD + k]
