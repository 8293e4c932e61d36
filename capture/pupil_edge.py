"""Where the pupil's edge lies along rays: a first search from inside, then sub-pixel along the normals."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from capture.ellipse import Flags, Floats, kernel

Image = NDArray[np.uint8]

_RING, _PHI = np.repeat(np.arange(1, 5), 24), np.tile(2 * np.pi * np.arange(24) / 24, 4)
# where the inside is read, as shares of the radius: four rings of 24 places, each turned against the next
_INNER_U = 0.18 * _RING * np.cos(_PHI + np.pi * _RING / 24)
_INNER_V = 0.18 * _RING * np.sin(_PHI + np.pi * _RING / 24)

# Of the variance that far samples show (`wander_of`): taken as that of nearer ones, which light from the same
# place tells. Chosen of 0.5, 1, 1.5 and 2 on simulated eyes 12,503,000 to 12,503,079 and 12,504,000 to
# 12,504,119 and on the phantom's s01, s02, s03, s05, s08, s10 and s12.
WANDER = 1.5


@kernel
def between(image: Image, x: float, y: float) -> float:
    """Grey level between pixels, bilinear; x and y must lie in the picture."""
    column, row = np.uint32(x), np.uint32(y)  # unsigned: an index below zero need not be thought of
    fx, fy = x - column, y - row
    one, two = image[row, column], image[row, column + np.uint32(1)]
    three, four = image[row + np.uint32(1), column], image[row + np.uint32(1), column + np.uint32(1)]
    upper, lower = one + fx * (float(two) - one), three + fx * (float(four) - three)
    return upper + fy * (lower - upper)


@kernel
def grey_at(image: Image, x: float, y: float) -> float:
    """Grey level between pixels, bilinear; -1 outside the picture."""
    if x >= 0.0 and y >= 0.0 and x < image.shape[1] - 1 and y < image.shape[0] - 1:
        return between(image, x, y)
    return -1.0


@kernel
def quantile(values: Floats, count: int, share: float) -> float:
    """The `share` quantile of the first `count` values; NaN without any.

    The values are put in another order: those before the wanted one are none above it. Selection by
    partition (Hoare 1961, Commun ACM 4:321), moving every value by itself: a branch that cannot be foreseen
    costs more than the moves.
    """
    if count == 0:
        return math.nan
    wanted = min(int(share * count), count - 1)
    low, high = 0, count - 1
    while low < high:
        pivot, same = values[(low + high) // 2], low
        for i in range(low, high + 1):
            value = values[i]
            values[i], values[same] = values[same], value
            same += value < pivot
        if wanted < same:
            high = same - 1
            continue
        low = same
        for i in range(low, high + 1):
            value = values[i]
            values[i], values[same] = values[same], value
            same += value <= pivot
        if wanted < same or same == low:
            break
        low = same
    return values[wanted]


@kernel
def search_rays(
    image: Image, x: float, y: float, radius: float, rise: float, xs: Floats, ys: Floats, use: Flags
) -> float:
    """First edge points, dark inside and bright outside, on rays from (x, y) near a circle of `radius`.

    rise: grey levels from inside to outside where they are known; 0: taken from the picture.
    Fills xs, ys, use (n,). Returns the typical contrast in grey levels (0: there is none).
    """
    n = xs.size
    reach = int(1.7 * radius) + 2
    profile = np.empty((n, reach))
    inner, ring = np.empty(n * 8), np.empty(n)
    inner_count, ring_count = 0, 0
    at_ring, stride = min(int(1.35 * radius) + 1, reach - 1), max(1, int(radius / 7.0))
    places = np.empty(n * reach)
    for k in range(n):
        c, s = math.cos(2 * math.pi * k / n), math.sin(2 * math.pi * k / n)
        for t in range(reach):
            profile[k, t], places[k * reach + t] = x + t * c, y + t * s
    read_places(image, profile.reshape(-1), places)
    for k in range(n):
        if profile[k, at_ring] >= 0:
            ring[ring_count] = profile[k, at_ring]
            ring_count += 1
        for t in range(1, min(8 * stride, int(radius) + 1), stride):
            if profile[k, t] >= 0:
                inner[inner_count] = profile[k, t]
                inner_count += 1
    if ring_count < n // 3 or inner_count < n // 3:
        return 0.0
    # a glint may fill most of the inside, a lid over half of the ring
    dark = quantile(inner, inner_count, 0.15)
    bright = dark + rise if rise > 0.0 else quantile(ring, ring_count, 0.4)
    if bright - dark < 2.0:  # two grey levels: rounding alone makes one
        return 0.0
    width = min(max(int(0.12 * radius + 0.5), 2), 6)
    # 0.15 to 0.5 quantile: one SD; a step of three and a half of its own SD is no noise
    noise = 3.5 * (quantile(inner, inner_count, 0.5) - dark) * math.sqrt(2.0 / width)
    first_steps(profile, x, y, max(int(0.3 * radius), 1), width, dark, bright, noise, xs, ys, use)
    return bright - dark


@kernel
def first_steps(
    profile: Floats, x: float, y: float, start: int, width: int, dark: float, bright: float,
    noise: float, xs: Floats, ys: Floats, use: Flags,
):  # fmt: skip
    """Place each ray's edge: the first step at least 0.6 as high as the ray's highest one.

    0.4 where that is above the noise: the limbus may be a higher step than the pupil's edge.

    A step is the mean of the next `width` pixels less that of the last ones; what is brighter than the ring
    by half the contrast is cut down to that, so that no glint wins; before the step it must be dark.
    """
    n, reach = profile.shape
    sums, steps = np.empty(reach + 1), np.empty(reach)
    contrast = bright - dark
    ceiling = bright + 0.5 * contrast
    for k in range(n):
        sums[0] = 0.0
        last = reach
        for t in range(reach):
            if profile[k, t] < 0:
                last = t
                break
            sums[t + 1] = sums[t] + min(profile[k, t], ceiling)
        best = 0.0
        for t in range(start, last - width):
            first = max(t - width, 0)
            inside = (sums[t] - sums[first]) / max(t - first, 1)
            steps[t] = (sums[t + width] - sums[t]) / width - inside
            if inside > dark + 0.6 * contrast:
                steps[t] = 0.0
            best = max(best, steps[t])
        use[k] = best > 0.3 * contrast
        if not use[k]:
            continue
        t = start
        enough = max(0.4 * best, min(0.6 * best, noise))
        while steps[t] < enough:
            t += 1
        while t + 1 < last - width and steps[t + 1] > steps[t]:
            t += 1
        before, after = steps[max(t - 1, start)], steps[min(t + 1, last - width - 1)]
        bend = 2.0 * steps[t] - before - after
        place = t - 0.5 + (0.5 * (after - before) / bend if bend > 0.0 else 0.0)
        xs[k] = x + place * math.cos(2 * math.pi * k / n)
        ys[k] = y + place * math.sin(2 * math.pi * k / n)


@kernel
def step_filter(blur_px: float, noise: float, wander: float, half: int, filters: Floats):
    """Rows that give (height, height x shift) of a blurred step in a profile of 2 half + 1 pixels.

    Model: s(t) = dark + height Phi((t - shift) / blur), linear in the shift near zero; least squares for
    noise (SD over the height) and for the iris' texture, which makes the model worse the farther out. In a
    clear picture texture is the larger error, so the window is narrow (1.2 blurs); noise widens it, up to 3.
    The height expects little texture, lest it hang on the shift; the shift, where `wander` is known (not
    negative), that variance of the height squared a blur outward, four times as much at two.
    """
    size, window = 2 * half + 1, min(1.2 + 10.0 * noise, 3.0)
    rise, bump, weight = np.empty(size), np.empty(size), np.empty(size)
    for j in range(size):
        z = (j - half) / blur_px
        rise[j] = 0.5 * (1.0 + math.erf(z / math.sqrt(2.0)))
        bump[j] = -math.exp(-0.5 * z * z) / (math.sqrt(2 * math.pi) * blur_px)
        filters[1, j] = math.exp(-0.5 * (z / window) ** 2)
    for row in range(2):
        a00, a01, a11 = 0.0, 0.0, 0.0
        for j in range(size):
            out = max((j - half) / blur_px, 0.0)
            # variance of real edges about the model, of the height squared
            texture = 0.0004 + (0.0003 * out if row == 0 or wander < 0.0 else WANDER * wander * out * out)
            weight[j] = filters[1, j] / (noise * noise + texture)
            a00, a01 = a00 + weight[j] * rise[j] * rise[j], a01 + weight[j] * rise[j] * bump[j]
            a11 += weight[j] * bump[j] * bump[j]
        det = a00 * a11 - a01 * a01
        for j in range(size):
            if row == 0:
                filters[0, j] = weight[j] * (a11 * rise[j] - a01 * bump[j]) / det
            else:
                filters[1, j] = weight[j] * (a00 * bump[j] - a01 * rise[j]) / det


@kernel
def sample_normals(image: Image, ellipse: Floats, half: int, profile: Floats, frame: Floats):
    """Grey levels across the outline at equal steps of phi: profile (n, 2 half + 1), -1 outside the picture.

    frame (n, 4): u and the outward normal of each ray. The profile's rows follow each other in memory.
    """
    n, size = profile.shape
    p, q, s = ellipse[2], ellipse[3], ellipse[4]
    turn_c, turn_s = math.cos(2 * math.pi / n), math.sin(2 * math.pi / n)
    xs, ys = profile.reshape(-1), np.empty(n * size)
    ux, uy = 1.0, 0.0
    for k in range(n):
        nx, ny = s * ux - q * uy, p * uy - q * ux
        length = math.sqrt(nx * nx + ny * ny)
        nx, ny = nx / length, ny / length
        frame[k, 0], frame[k, 1], frame[k, 2], frame[k, 3] = ux, uy, nx, ny
        ax = ellipse[0] + p * ux + q * uy - half * nx
        ay = ellipse[1] + q * ux + s * uy - half * ny
        for j in range(size):
            xs[k * size + j], ys[k * size + j] = ax + j * nx, ay + j * ny
        ux, uy = ux * turn_c - uy * turn_s, ux * turn_s + uy * turn_c
    read_places(image, xs, ys)


@kernel
def read_places(image: Image, xs: Floats, ys: Floats):
    """Put the grey levels at many places (n,) into `xs`: as `grey_at`, at two thirds of its time.

    What the processor can do for several places at once stands in a loop of its own.
    """
    pixels, width = image.ravel(), np.int32(image.shape[1])
    right, bottom = image.shape[1] - 1.0, image.shape[0] - 1.0
    corner = np.empty(xs.size, np.int32)
    for i in range(xs.size):
        within = xs[i] >= 0.0 and ys[i] >= 0.0 and xs[i] < right and ys[i] < bottom
        x, y = (xs[i], ys[i]) if within else (0.0, 0.0)
        column, row = np.int32(x), np.int32(y)
        corner[i] = row * width + column if within else -1
        xs[i], ys[i] = x - column, y - row
    for i in range(xs.size):
        at = np.uint32(max(corner[i], 0))  # unsigned: an index below zero need not be thought of
        under = at + np.uint32(width)
        one, two = pixels[at], pixels[at + np.uint32(1)]
        three, four = pixels[under], pixels[under + np.uint32(1)]
        upper, lower = one + xs[i] * (float(two) - one), three + xs[i] * (float(four) - three)
        xs[i] = upper + ys[i] * (lower - upper) if corner[i] >= 0 else -1.0


@kernel
def inner_level(image: Image, ellipse: Floats, contrast: float) -> tuple[float, float]:
    """Grey level of the pupil (low in its inside: lid and glint count little) and its pixel noise (SD).

    The noise comes from the least four fifths of the differences between neighbours, which no slope or
    outline within reaches: their mean is 0.5586 SD of a difference for a normal spread. What is brighter
    than the iris by half as much again as `contrast` takes no part. Less noise than that of rounding
    together with a camera's own compression (0.5) is not believed.
    """
    values, beside, jumps = np.empty(96), np.empty(96), np.empty(96)
    count = 0
    for k in range(96):
        column = int(ellipse[0] + ellipse[2] * _INNER_U[k] + ellipse[3] * _INNER_V[k] + 0.5)
        row = int(ellipse[1] + ellipse[3] * _INNER_U[k] + ellipse[4] * _INNER_V[k] + 0.5)
        if 0 <= column < image.shape[1] - 1 and 0 <= row < image.shape[0]:
            values[count], beside[count] = image[row, column], image[row, column + 1]
            jumps[count] = values[count]
            count += 1
    if count < 12:
        return math.nan, math.nan
    level = quantile(jumps, count, 0.3)
    ceiling, dark_count = level + 2.5 * max(contrast, 4.0), 0
    for k in range(count):
        if max(values[k], beside[k]) < ceiling:
            jumps[dark_count] = abs(values[k] - beside[k])
            dark_count += 1
    if dark_count < 12:
        return level, math.nan
    few = (4 * dark_count) // 5
    quantile(jumps, dark_count, 0.8)
    total = jumps[:few].sum()
    return level, max(total / few / 0.5586 / math.sqrt(2.0), 0.5)


@kernel
def glint_level(dark: float, contrast: float, unrest: float) -> float:
    """Grey level from which on it is a reflection: above the iris by half as much again as that is high."""
    return dark + 2.5 * contrast + 4.0 * unrest


@kernel
def blur_of(profile: Floats, usable: Flags, height: Floats, half: int) -> float:
    """Blur (SD, px) of the mean normalised edge, from its steepest slope over two pixels; NaN: no rays."""
    size = profile.shape[1]
    first, last = max(half - 2, 1), min(half + 3, size - 1)
    total, slope = 0.0, 0.0
    rise = np.zeros(size)
    for k in range(profile.shape[0]):
        if usable[k]:
            total += height[k]
            for j in range(first, last):
                rise[j] += profile[k, j + 1] - profile[k, j - 1]
    for j in range(first, last):
        slope = max(slope, 0.5 * rise[j] / total)
    # a difference over two pixels of a step with blur b sees about b^2 + 1/3
    return math.sqrt(max(1.0 / (2 * math.pi * slope * slope) - 1.0 / 3.0, 0.25)) if slope > 0.0 else math.nan
