"""The outline of a pupil hardly darker than its iris: place and heights fitted to all rays at once.

A single ray across a step of a few grey levels under noise says nothing about where it is. Here each ray's
height leans on its neighbours', a ray ends where something bright begins (limbus, lid, reflection), and what
it says about the place counts by how much it can know.
"""

from __future__ import annotations

import math

import numpy as np

from capture.ellipse import Flags, Floats, kernel
from capture.pupil_checks import ASTRAY, BARE, BENT, BLOCKS, BLUR, CONTRAST, DARK, ERROR, UNREST, read_rays
from capture.pupil_edge import Image, glint_level, inner_level, quantile, sample_normals
from capture.pupil_rays import centre_error, leave_out, move_outline
from capture.pupil_shape import error_of_shape

BLUR_320_PX = 0.8  # SD of an edge's blur in a picture 320 px wide, which a faint one cannot tell by itself
LEAN = 0.6  # SD of a ray's height about its neighbours', of the height: an iris' texture
NEAR = 0.02  # of the outline to each side: a ray's neighbours
WINDOW = 1.5  # blurs: farther off a sample counts less, for the texture of the iris
TEXTURE_PX2 = 0.02  # variance of a ray's place without noise
REACH = 1.5  # blurs that a ray must reach to each side
SPREAD_PX = 2  # how far the light of what is bright is spread
MOST_RAYS = 640  # one a pixel of the outline
MOST_HALF = 12
MOST_STEPS = 40
NEAR_STEP = 4  # from this step on the outline is near: rays are read as far as the blur reaches
SETTLED_PX = 0.001
LEAST_HEIGHT = 0.7  # grey levels
SEEN_SD = 3.0  # of a block's height over its noise
_TERMS = ((0, 0), (0, 1), (1, 1), (0, 2), (1, 2))  # of (height, height x shift, value): see `ray_sums`


@kernel
def cut_rays(profile: Floats, ceiling: float, halo: int, first: Floats, last: Floats):
    """First and last sample of each ray that show pupil or iris: none is as bright as `ceiling` between.

    A ray that is hit within the outline starts beyond, where the light of that is no longer spread; one that
    is hit outside of it ends before; so do the `halo` rays beside it.
    """
    n, size = profile.shape
    half = size // 2
    starts, ends = np.zeros(n), np.full(n, size - 1.0)
    for k in range(n):
        for j in range(size):
            if profile[k, j] < 0.0 or profile[k, j] > ceiling:
                if j < half:
                    starts[k] = j + 1 + (SPREAD_PX if profile[k, j] > ceiling else 0)
                else:
                    ends[k] = min(ends[k], j - 1.0)
    for k in range(n):
        first[k], last[k] = starts[k], ends[k]
        for step in range(-halo, halo + 1):
            i = (k + step) % n
            first[k], last[k] = max(first[k], starts[i]), min(last[k], ends[i])


@kernel
def inner_mean(
    profile: Floats, first: Floats, last: Floats, blur: float, reach: int, levels: Floats
) -> float:
    """Pupil's grey level inside each ray, a mean over `reach` rays to each side; returns that of all."""
    n, size = profile.shape
    stop = size // 2 - 1.2 * blur
    sums, counts = np.zeros(n), np.zeros(n)
    for k in range(n):
        for j in range(int(first[k]), int(min(stop, last[k])) + 1):
            sums[k], counts[k] = sums[k] + profile[k, j], counts[k] + 1
    for k in range(n):
        total, count = 0.0, 0.0
        for step in range(-reach, reach + 1):
            total, count = total + sums[(k + step) % n], count + counts[(k + step) % n]
        levels[k] = total / count if count > 0 else math.nan
    return sums.sum() / max(counts.sum(), 1.0)


@kernel
def ray_sums(
    profile: Floats, first: Floats, last: Floats, levels: Floats, blur: float, in_iris: bool, sums: Floats
):
    """Normal equations of each ray for (height, height x shift): a00, a01, a11, b0, b1 in sums (n, 5).

    A ray stops as far before what is bright as the light of that is spread, and tells nothing where that is
    too near to the outline. Only `in_iris` it then goes on to the white of the eye about a wide pupil: what
    that spreads is fitted along, as the square of the distance beyond the outline, and eliminated.
    """
    n, size = profile.shape
    half = size // 2
    rises, bumps, weights = np.empty(size), np.empty(size), np.empty(size)
    for j in range(size):
        z = (j - half) / blur
        rises[j] = 0.5 * (1.0 + math.erf(z / math.sqrt(2.0)))
        bumps[j] = -math.exp(-0.5 * z * z) / (math.sqrt(2 * math.pi) * blur)
        weights[j] = math.exp(-0.5 * (z / WINDOW) ** 2)
    for k in range(n):
        sums[k], foot = 0.0, np.zeros(4)
        stop, least = last[k] - (SPREAD_PX if last[k] < size - 1 else 0), half + REACH * blur
        near = in_iris and stop < least
        stop = last[k] if near else stop
        if not (first[k] <= half - REACH * blur and stop >= least and levels[k] == levels[k]):
            continue
        for j in range(int(first[k]), int(stop) + 1):
            value, rise, bump, weight = profile[k, j] - levels[k], rises[j], bumps[j], weights[j]
            sums[k, 0] += weight * rise * rise
            sums[k, 1] += weight * rise * bump
            sums[k, 2] += weight * bump * bump
            sums[k, 3] += weight * rise * value
            sums[k, 4] += weight * bump * value
            if near and j > half:
                far = (j - half) * (j - half)
                foot[0], foot[1] = foot[0] + weight * far * rise, foot[1] + weight * far * bump
                foot[2], foot[3] = foot[2] + weight * far * value, foot[3] + weight * far * far
        for at in range(5 if foot[3] > 0.0 else 0):
            sums[k, at] -= foot[_TERMS[at][0]] * foot[_TERMS[at][1]] / foot[3]


@kernel
def lean_heights(sums: Floats, reach: int, heights: Floats):
    """Height of each ray's neighbourhood (`reach` rays to each side); NaN where nothing is seen."""
    n = heights.size
    for k in range(n):
        total = np.zeros(5)
        for step in range(-reach, reach + 1):
            total += sums[(k + step) % n]
        det = total[0] * total[2] - total[1] * total[1]
        heights[k] = (total[2] * total[3] - total[1] * total[4]) / det if det > 1e-9 else math.nan


@kernel
def shifts_of(
    sums: Floats, heights: Floats, contrast: float, unrest: float, half: int, shift: Floats, weight: Floats
):
    """Shift of each ray and the information on it, px^-2; 0 where it shows nothing."""
    for k in range(heights.size):
        shift[k], weight[k] = 0.0, 0.0
        if sums[k, 0] > 0.0 and heights[k] > 0.25 * contrast:
            height = min(heights[k], 2.0 * contrast)
            lean = (unrest / (LEAN * height)) ** 2
            own = sums[k, 0] + lean
            det = own * sums[k, 2] - sums[k, 1] * sums[k, 1]
            move = (own * sums[k, 4] - sums[k, 1] * (sums[k, 3] + lean * height)) / det
            known = height * height * det / own / (unrest * unrest)
            shift[k] = min(max(move / height, -0.7 * half), 0.7 * half)
            weight[k] = known / (1.0 + TEXTURE_PX2 * known)


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
    image: Image, ellipse: Floats, profile: Floats, frame: Floats, ends: Floats, blur: float, ceiling: float,
    in_iris: bool, sums: Floats, heights: Floats,
) -> float:  # fmt: skip
    """Fill frame, ends (first and last sample), sums and heights of all rays; returns the pupil's level."""
    near, level = max(1, int(NEAR * heights.size)), np.empty(heights.size)
    sample_normals(image, ellipse, profile.shape[1] // 2, profile, frame)
    cut_rays(profile, ceiling, 2, ends[0], ends[1])
    inside = inner_mean(profile, ends[0], ends[1], blur, near, level)
    ray_sums(profile, ends[0], ends[1], level, blur, in_iris, sums)
    lean_heights(sums, near, heights)
    return inside


@kernel
def follow_faint(image: Image, out: Floats, half: int, in_iris: bool) -> bool:
    """Follow a faint outline in `out` (ellipse and CONTRAST given) to its fixed point; False: it is lost.

    half: px looked at to each side at first; in_iris: see `ray_sums`. Fills in what is known of the outline.
    """
    ellipse, contrast, normals = out[:5], out[CONTRAST], np.zeros((5, 5))
    blur = BLUR_320_PX * math.sqrt(max(image.shape[0], image.shape[1]) / 320.0)
    narrow = min(max(int(3.0 * blur + 0.5), 4), MOST_HALF)
    half, n, dark, unrest, cut, inside = min(max(half, narrow), MOST_HALF), 0, 0.0, 0.0, 1.0, 0.0
    frames, ends_, sums_ = np.empty((MOST_RAYS, 4)), np.empty((2, MOST_RAYS)), np.empty((MOST_RAYS, 5))
    heights_, shifts, weights = np.empty(MOST_RAYS), np.empty(MOST_RAYS), np.empty(MOST_RAYS)
    for step in range(MOST_STEPS):
        if step == 0 or step == NEAR_STEP:
            radius = math.sqrt(max(ellipse[2] * ellipse[4] - ellipse[3] * ellipse[3], 1.0))
            n, half = min(max(int(2 * math.pi * radius), 32), MOST_RAYS), half if step == 0 else narrow
        if step < 2 * NEAR_STEP:
            dark, unrest = inner_level(image, ellipse, contrast)
            if not unrest > 0.0:
                return False
        frame, ends, sums, heights = frames[:n], ends_[:, :n], sums_[:n], heights_[:n]
        shift, weight, profile = shifts[:n], weights[:n], np.empty((n, 2 * half + 1))
        ceiling = glint_level(dark, contrast, unrest)
        inside = read_all(image, ellipse, profile, frame, ends, blur, ceiling, in_iris, sums, heights)
        usual = seen_quantile(heights, sums[:, 0], 0.5, False)
        if not usual > LEAST_HEIGHT:
            return False
        contrast = usual if step >= 2 else 0.5 * (contrast + usual)
        shifts_of(sums, heights, contrast, unrest, half, shift, weight)
        # Tukey's cut for 95 % efficiency; the 0.3 quantile is 0.385 SD
        cut = max(4.685 / 0.385 * seen_quantile(shift, weight, 0.3, True), 1.0)
        moved = move_outline(ellipse, frame, shift, weight, cut, 1.0, normals)
        if not moved >= 0.0:
            return False
        if step > NEAR_STEP + 1 and moved < SETTLED_PX:
            break
    out[DARK], out[CONTRAST], out[UNREST], out[BLUR] = inside, contrast, unrest, blur
    out[ASTRAY] = error_of_shape(ellipse, frames[:n], shifts[:n], weights[:n], cut, 1.0)
    moves = shifts[:n].copy()
    usable, reflects, state = np.empty(n, np.bool_), np.empty(n, np.bool_), np.empty(n)
    disagree = judge_blocks(sums_[:n], shifts[:n], weights[:n], cut, unrest, usable)
    for k in range(n):
        reflects[k] = ends_[0, k] > 0.0 or ends_[1, k] < 2 * half
    read_rays(image, out, frames[:n], shifts[:n], usable, reflects, 3, cut, state)
    out[BENT] = leave_out(ellipse, frames[:n], moves, weights[:n], cut, 1.0, out[BARE])
    out[ERROR] = centre_error(normals) * max(disagree, 1.0)
    return True


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
