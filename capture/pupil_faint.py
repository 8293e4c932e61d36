"""The outline of a pupil hardly darker than its iris: place and heights fitted to all rays at once.

A single ray across a step of a few grey levels under noise says nothing about where it is. Here each ray's
height leans on its neighbours', a ray ends where something bright begins (limbus, lid, reflection), and what
it says about the place counts by how much it can know.
"""

from __future__ import annotations

import math

import numpy as np

from capture.ellipse import Flags, Floats, kernel
from capture.pupil_checks import (
    ASTRAY,
    BARE,
    BENT,
    BLOCKS,
    BLUR,
    CONTRAST,
    DARK,
    ERROR,
    SUPPORT,
    UNREST,
    ramp,
    read_rays,
)
from capture.pupil_edge import Image, inner_level, quantile, sample_normals
from capture.pupil_faint_rays import (
    AS_DARK,
    NEAR,
    cut_rays,
    drop_bright,
    inner_mean,
    iris_ceiling,
    lean_heights,
    ray_sums,
    shifts_of,
)
from capture.pupil_rays import centre_error, leave_out, move_outline
from capture.pupil_shape import error_of_shape

BLUR_320_PX = 0.8  # SD of an edge's blur in a picture 320 px wide, which a faint one cannot tell by itself
MOST_RAYS = 640  # one a pixel of the outline
MOST_HALF = 12
MOST_STEPS = 40
NEAR_STEP = 4  # from this step on the outline is near: rays are read as far as the blur reaches
SETTLED_PX = 0.001
LEAST_HEIGHT = 0.7  # grey levels
SEEN_SD = 3.0  # of a block's height over its noise
# The shadow of a lid, lashes and texture move the ends of an arc under a lid together, which its rays do not
# tell: so many times the error where this share of the rays or less is seen, once where that. Chosen on eyes
# 51,000 to 51,429.
UNDER_LID, MUCH_HIDDEN, ALL_SEEN = 2.0, 0.6, 0.8


@kernel
def seen_quantile(values: Floats, seen: Floats, share: float, absolute: bool) -> float:
    """Quantile of the values whose `seen` is above 0; NaN when they are fewer than a fifth."""
    some, count = np.empty(values.size), 0
    for k in range(values.size):
        if seen[k] > 0.0 and values[k] == values[k]:
            some[count] = abs(values[k]) if absolute else values[k]
            count += 1
    return quantile(some, count, share) if 5 * count >= values.size else math.nan


@kernel
def read_all(
    image: Image, ellipse: Floats, profile: Floats, frame: Floats, ends: Floats, blur: float, dark: float,
    contrast: float, unrest: float, in_iris: bool, sums: Floats, heights: Floats,
) -> float:  # fmt: skip
    """Fill frame, ends (first and last sample), sums and heights of all rays; returns the pupil's level."""
    near, level = max(1, int(NEAR * heights.size)), np.empty(heights.size)
    sample_normals(image, ellipse, profile.shape[1] // 2, profile, frame)
    cut_rays(profile, iris_ceiling(profile, dark, contrast, unrest), 2, ends[0], ends[1])
    inside = inner_mean(profile, ends[0], ends[1], blur, near, level)
    drop_bright(level, AS_DARK * contrast + unrest)
    ray_sums(profile, ends[0], ends[1], level, blur, in_iris, sums)
    lean_heights(sums, near, heights)
    return inside


@kernel
def follow_faint(image: Image, out: Floats, half: int, in_iris: bool, frames: Floats, moves: Floats) -> int:
    """Follow a faint outline in `out` (ellipse and CONTRAST given) to its fixed point; 0: it is lost.

    half: px looked at to each side at first; in_iris: see `ray_sums`. Fills in what is known of the outline;
    returns the number of rays, of which frames and moves (MOST_RAYS, ...) then hold normals and shifts, 0
    where a ray shows nothing.
    """
    ellipse, contrast, normals = out[:5], out[CONTRAST], np.zeros((5, 5))
    blur = BLUR_320_PX * math.sqrt(max(image.shape[0], image.shape[1]) / 320.0)
    narrow = min(max(int(3.0 * blur + 0.5), 4), MOST_HALF)
    half, n, dark, unrest, cut, inside = min(max(half, narrow), MOST_HALF), 0, 0.0, 0.0, 1.0, 0.0
    ends_, sums_ = np.empty((2, MOST_RAYS)), np.empty((MOST_RAYS, 5))
    heights_, shifts, weights = np.empty(MOST_RAYS), np.empty(MOST_RAYS), np.empty(MOST_RAYS)
    for step in range(MOST_STEPS):
        if step == 0 or step == NEAR_STEP:
            radius = math.sqrt(max(ellipse[2] * ellipse[4] - ellipse[3] * ellipse[3], 1.0))
            n, half = min(max(int(2 * math.pi * radius), 32), MOST_RAYS), half if step == 0 else narrow
        if step < 2 * NEAR_STEP:
            dark, unrest = inner_level(image, ellipse, contrast)
            if not unrest > 0.0:
                return 0
        frame, ends, sums, heights = frames[:n], ends_[:, :n], sums_[:n], heights_[:n]
        shift, weight, profile = shifts[:n], weights[:n], np.empty((n, 2 * half + 1))
        inside = read_all(
            image, ellipse, profile, frame, ends, blur, dark, contrast, unrest, in_iris, sums, heights
        )
        usual = seen_quantile(heights, sums[:, 0], 0.5, False)
        if not usual > LEAST_HEIGHT:
            return 0
        contrast = usual if step >= 2 else 0.5 * (contrast + usual)
        shifts_of(sums, heights, contrast, unrest, half, shift, weight)
        # Tukey's cut for 95 % efficiency; the 0.3 quantile is 0.385 SD
        cut = max(4.685 / 0.385 * seen_quantile(shift, weight, 0.3, True), 1.0)
        moved = move_outline(ellipse, frame, shift, weight, cut, 1.0, normals)
        if not moved >= 0.0:
            return 0
        if step > NEAR_STEP + 1 and moved < SETTLED_PX:
            break
    out[DARK], out[CONTRAST], out[UNREST], out[BLUR] = inside, contrast, unrest, blur
    out[ASTRAY] = error_of_shape(ellipse, frames[:n], shifts[:n], weights[:n], cut, 1.0)
    moves[:n] = shifts[:n]
    usable, reflects, state = np.empty(n, np.bool_), np.empty(n, np.bool_), np.empty(n)
    disagree = judge_blocks(sums_[:n], shifts[:n], weights[:n], cut, unrest, usable)
    for k in range(n):
        reflects[k] = ends_[0, k] > 0.0 or ends_[1, k] < 2 * half
    read_rays(image, out, frames[:n], shifts[:n], usable, reflects, 3, cut, state)
    out[BENT] = leave_out(ellipse, frames[:n], moves[:n], weights[:n], cut, 1.0, out[BARE])
    hidden = ramp(out[SUPPORT], ALL_SEEN, MUCH_HIDDEN)
    out[ERROR] = centre_error(normals) * max(disagree, 1.0) * (1.0 + hidden * (UNDER_LID - 1.0))
    return n


@kernel
def judge_blocks(
    sums: Floats, shift: Floats, weight: Floats, cut: float, unrest: float, usable: Flags
) -> float:
    """Say which rays are in blocks of the outline that show the edge, and put each block's mean in `shift`.

    Returns by how much the blocks' means scatter, in units of what the rays' information lets expect.
    """
    n, blocks, square = shift.size, 0, 0.0
    parts = min(max(n // 8, BLOCKS), 2 * BLOCKS)
    usable[:] = False
    for b in range(parts):
        start, stop = b * n // parts, (b + 1) * n // parts
        total, total_shift, both = 0.0, 0.0, np.zeros(5)
        for k in range(start, stop):
            if weight[k] > 0.0:
                both += sums[k]
                if abs(shift[k]) < cut:
                    total, total_shift = total + weight[k], total_shift + weight[k] * shift[k]
        det = both[0] * both[2] - both[1] * both[1]
        if not (total > 0.0 and det > 1e-9):
            continue
        height = (both[2] * both[3] - both[1] * both[4]) / det
        sure = height / (unrest * math.sqrt(both[2] / det))
        mean = total_shift / total
        blocks, square = blocks + 1, square + mean * mean * total
        for k in range(start, stop):
            usable[k] = weight[k] > 0.0 and abs(shift[k]) < cut and sure > SEEN_SD
            shift[k] = mean
    return math.sqrt(square / max(blocks - 5, 1))
