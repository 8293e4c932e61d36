"""What single rays across a faint outline show: where they end, and how high and where their edge is.

A ray may be read from within the pupil to where something brighter than the iris begins, and no farther.
"""

from __future__ import annotations

import math

import numpy as np

from capture.ellipse import Floats, kernel
from capture.pupil_edge import glint_level, quantile

LEAN = 0.6  # SD of a ray's height about its neighbours', of the height: an iris' texture
NEAR = 0.02  # of the outline to each side: a ray's neighbours
WINDOW = 1.5  # blurs: farther off a sample counts less, for the texture of the iris
TEXTURE_PX2 = 0.02  # variance of a ray's place without noise
REACH = 1.5  # blurs that a ray must reach to each side
SPREAD_PX = 2  # how far the light of what is bright is spread
# What lies beyond a pupil's edge is its iris: the lower of the rays' outer ends (these quantiles, of which a
# lid in a third of them takes none) say how bright that is and how it scatters; what is so many times farther
# above, and so many heights above the pupil, is a lid, however dark; so is an edge that high. A ray begins in
# the pupil, but for this share of the height. By thought, looked at on eyes 51,000 to 51,429 of a renderer
# that is not the phantom's; AS_DARK was 0.4 about DARK first, which lost 17 frames of s11 to stray light.
IRIS_LOW, IRIS_USUAL, BEYOND_IRIS, TOO_HIGH, AS_DARK = 0.1, 0.3, 4.0, 1.7, 0.75
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
def iris_ceiling(profile: Floats, dark: float, contrast: float, unrest: float) -> float:
    """Grey level above which it is no iris, from what lies at the outer ends of the rays."""
    n, size = profile.shape
    ends, count = np.empty(n), 0
    for k in range(n):
        if profile[k, size - 2] >= 0.0 and profile[k, size - 1] >= 0.0:
            ends[count] = 0.5 * (profile[k, size - 2] + profile[k, size - 1])
            count += 1
    most = glint_level(dark, contrast, unrest)
    if count == 0:
        return most
    usual = quantile(ends, count, IRIS_USUAL)
    scatter = BEYOND_IRIS * (usual - quantile(ends, count, IRIS_LOW))
    return min(max(usual + scatter, dark + TOO_HIGH * contrast + 2.0 * unrest), most)


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
def drop_bright(levels: Floats, tolerance: float):
    """Make the level of rays that begin so much brighter than most unknown: they begin on a lid or a lash."""
    some, count = np.empty(levels.size), 0
    for k in range(levels.size):
        if levels[k] == levels[k]:
            some[count] = levels[k]
            count += 1
    most = quantile(some, count, 0.4) + tolerance
    for k in range(levels.size):
        if not levels[k] < most:
            levels[k] = math.nan


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
    n, near = heights.size, 2 * max(1, int(NEAR * heights.size))
    for k in range(n):
        shift[k], weight[k] = 0.0, 0.0
        highest = 0.0
        for step in range(-near, near + 1):  # a lid lifts its neighbours' heights, too
            other = heights[(k + step) % n]
            highest = other if other > highest else highest  # NaN: nothing is seen there
        if sums[k, 0] > 0.0 and heights[k] > 0.25 * contrast and highest < TOO_HIGH * contrast:
            height = min(heights[k], 2.0 * contrast)
            lean = (unrest / (LEAN * height)) ** 2
            own = sums[k, 0] + lean
            det = own * sums[k, 2] - sums[k, 1] * sums[k, 1]
            move = (own * sums[k, 4] - sums[k, 1] * (sums[k, 3] + lean * height)) / det
            known = height * height * det / own / (unrest * unrest)
            shift[k] = min(max(move / height, -0.7 * half), 0.7 * half)
            weight[k] = known / (1.0 + TEXTURE_PX2 * known)
