"""Where a pupil may be: dark round places in a reduced picture, best first.

No grey level is fixed: a place is scored by how much brighter its surround is than its inside, in units of
the inside's own unrest, so that a dark iris under little light scores like a bright one.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from capture.ellipse import Floats, kernel
from capture.pupil_checks import CONTRAST, DARK, P, S, X, Y
from capture.pupil_edge import quantile

Grey = NDArray[np.float32]

DIRECTIONS = 16
# in an order in which the first four, and the first eight, already go all the way round
_ORDER = np.array([0, 8, 4, 12, 2, 10, 6, 14, 1, 9, 5, 13, 3, 11, 7, 15])
_COS, _SIN = np.cos(2 * np.pi * _ORDER / DIRECTIONS), np.sin(2 * np.pi * _ORDER / DIRECTIONS)
LEAST_SCORE = 0.3  # a disc half under a lid reaches 0.4


@kernel
def reduce_picture(image: NDArray[np.uint8], factor: int) -> Grey:
    """Block means, (h // factor, w // factor), in grey levels."""
    height, width = image.shape[0] // factor, image.shape[1] // factor
    small = np.empty((height, width), np.float32)
    sums = np.empty(width, np.int32)
    scale = np.float32(1.0 / (factor * factor))
    for y in range(height):
        sums[:] = 0
        for dy in range(factor):
            row = image[y * factor + dy]
            for x in range(width):
                total = 0
                for dx in range(factor):
                    total += row[x * factor + dx]
                sums[x] += total
        for x in range(width):
            small[y, x] = sums[x] * scale
    return small


@kernel
def picture_unrest(small: Grey) -> float:
    """Noise of a picture from its quiet parts: twice the fifth quantile of neighbours' differences."""
    height, width = small.shape
    values = np.empty(height * (width - 1))
    for y in range(height):
        for x in range(width - 1):
            values[y * (width - 1) + x] = abs(small[y, x + 1] - small[y, x])
    return max(2.0 * quantile(values, values.size, 0.2), 0.25)


@kernel
def _extreme_along(source: Grey, target: Grey, reach: int, down: bool, smallest: bool):
    height, width = source.shape
    for y in range(height):
        for x in range(width):
            value = source[y, x]
            for step in range(-reach, reach + 1):
                yy = min(max(y + step, 0), height - 1) if down else y
                xx = x if down else min(max(x + step, 0), width - 1)
                other = source[yy, xx]
                if (other < value) == smallest and other != value:
                    value = other
            target[y, x] = value


@kernel
def mask_glints(small: Grey, reach: int, unrest: float) -> tuple[Grey, Grey]:
    """Find narrow bright spots: what an opening by a square of 2 reach + 1 cuts off, beyond half the most.

    Returns the picture with spots and their halo set to NaN, and the one with them filled by the darkest
    neighbour (a corneal reflection lies on something darker).
    """
    one, two = np.empty_like(small), np.empty_like(small)
    _extreme_along(small, one, reach, False, True)
    _extreme_along(one, two, reach, True, True)
    _extreme_along(two, one, reach, False, False)
    _extreme_along(one, two, reach, True, False)
    # a glint stands out of everything: above half the most, a third of the picture's range, and the noise
    cut = max(0.5 * np.max(small - two), 0.3 * (np.max(small) - np.min(small)), 8.0 * unrest)
    masked, filled = small.copy(), small.copy()
    height, width = small.shape
    for y in range(height):
        for x in range(width):
            if small[y, x] - two[y, x] > cut:
                top, bottom = max(y - reach, 0), min(y + reach + 1, height)
                left, right = max(x - reach, 0), min(x + reach + 1, width)
                masked[top:bottom, left:right] = np.nan
    for y in range(height):
        for x in range(width):
            if np.isnan(masked[y, x]):
                top, bottom = max(y - 2 * reach, 0), min(y + 2 * reach + 1, height)
                left, right = max(x - 2 * reach, 0), min(x + 2 * reach + 1, width)
                filled[y, x] = np.min(small[top:bottom, left:right])
    return masked, filled


@kernel
def _ring_offsets(radius: float, offsets: NDArray[np.int64], width: int):
    """Index steps in a flat picture to places inside (column 0) and outside (column 1) a circle."""
    for k in range(DIRECTIONS):
        for side in range(2):
            reach = 0.75 * radius if side == 0 else 1.25 * radius + 0.5
            x, y = math.floor(reach * _COS[k] + 0.5), math.floor(reach * _SIN[k] + 0.5)
            offsets[k, side] = int(y) * width + int(x)


@kernel
def _ring_score(flat: Grey, place: int, dark: float, offsets: NDArray[np.int64], unrest: float) -> float:
    """0..1: in how many directions the picture stays dark to the circle and is brighter beyond it.

    A direction counts (rise - 2 stain) / (rise + 2 unrest), stain beyond the unrest: the grey levels cancel
    once the rise stands clear of the unrest. A glint (NaN) takes its direction out of the count, down to
    eight.
    """
    score, known = 0.0, 0
    for k in range(DIRECTIONS):
        stain = abs(flat[place + offsets[k, 0]] - dark)
        rise = flat[place + offsets[k, 1]] - dark
        if stain >= 0.0 and (rise >= 0.0 or rise < 0.0):
            known += 1
            clear = rise - 2.0 * max(stain - unrest, 0.0)
            if clear > 0.0:
                score += clear / (rise + 2.0 * unrest)
        # what cannot reach the least score any more is given up
        if (k == 3 and score < 2.0 * LEAST_SCORE - (4 - known)) or (k == 7 and score < 4.0 * LEAST_SCORE):
            return 0.0
    return float(score / max(known, 8))


@kernel
def find_candidates(
    masked: Grey, filled: Grey, least_radius: float, most_radius: float, unrest: float, found: Floats
) -> int:
    """Fill `found` (n, 4) with x, y, radius, score of the best places, best first; returns how many."""
    height, width = masked.shape
    pad = int(1.25 * most_radius) + 3
    wide = np.empty((height + 2 * pad, width + 2 * pad), np.float32)
    for y in range(height + 2 * pad):
        for x in range(width + 2 * pad):
            wide[y, x] = masked[min(max(y - pad, 0), height - 1), min(max(x - pad, 0), width - 1)]
    flat = wide.reshape(wide.size)
    offsets = np.empty((DIRECTIONS, 2), np.int64)
    ceiling = np.mean(filled)  # of the picture, black borders and all: a pupil is darker
    count = 0
    radius = least_radius
    while radius <= most_radius:
        _ring_offsets(radius, offsets, width + 2 * pad)
        stride = max(1, int(radius / 2.5))
        for y in range(stride // 2, height, stride):
            for x in range(stride // 2, width, stride):
                dark = filled[y, x]
                if dark <= ceiling:
                    place = (y + pad) * (width + 2 * pad) + x + pad
                    score = _ring_score(flat, place, dark, offsets, unrest)
                    if score > LEAST_SCORE:
                        count = _insert(found, count, x, y, radius, score)
        radius *= 1.2
    return count


@kernel
def darkest_places(filled: Grey, unrest: float, found: Floats) -> int:
    """Fill `found` (n, 4) with the darkest places that are brighter on all four sides; returns how many.

    A small pupil under its own reflections has no ring left to be scored by, but is still dark.
    """
    height, width = filled.shape
    reach, count = max(width // 8, 4), 0
    while count < found.shape[0]:
        least, at_x, at_y = 1e9, -1, -1
        for y in range(1, height - 1):
            for x in range(1, width - 1):
                if filled[y, x] < least and not _is_taken(found, count, x, y):
                    mean = 0.0
                    for i in range(-1, 2):
                        for j in range(-1, 2):
                            mean += filled[y + i, x + j] / 9
                    if mean < least and _is_enclosed(filled, x, y, mean + 2.0 * unrest + 2.0, reach):
                        least, at_x, at_y = mean, x, y
        if at_x < 0:
            break
        found[count, 0], found[count, 1], found[count, 2], found[count, 3] = at_x, at_y, 2.5, 0.0
        count += 1
    return count


@kernel
def go_after(image: NDArray[np.uint8], out: Floats):
    """Move an outline of the picture before, in place, to the middle of what is as dark as it was there.

    Mean shift (Fukunaga and Hostetler 1975, IEEE Trans Inf Theory 21:32) of a disc of 1.2 radii, seen in 193
    places. A third of the edge's height is still as dark: an iris is brighter.
    """
    step, level = 1.2 * math.sqrt(out[P] * out[S]) / 8.0, out[DARK] + out[CONTRAST] / 3.0
    for _ in range(8):
        count, right, down = 0, 0, 0
        for i in range(-8, 9):
            for j in range(-8, 9):
                column, row = int(out[X] + step * j + 0.5), int(out[Y] + step * i + 0.5)
                if i * i + j * j < 64 and 0 <= column < image.shape[1] and 0 <= row < image.shape[0]:
                    dark = image[row, column] < level
                    count, right, down = count + dark, right + j * dark, down + i * dark
        if count == 0:
            break
        out[X] += step * right / count
        out[Y] += step * down / count
        if abs(right) + abs(down) < 0.2 * count:
            break


@kernel
def _is_taken(found: Floats, count: int, x: int, y: int) -> bool:
    taken = False
    for i in range(count):
        taken = taken or abs(found[i, 0] - x) + abs(found[i, 1] - y) < 6
    return taken


@kernel
def _is_enclosed(filled: Grey, x: int, y: int, level: float, reach: int) -> bool:
    """Whether something brighter than `level` lies within `reach` on each of the four sides."""
    for side in range(4):
        dx, dy = (1 - side) * (side % 2 == 0), (2 - side) * (side % 2)
        step = 1
        while step <= reach:
            column, row = x + step * dx, y + step * dy
            if not (0 <= column < filled.shape[1] and 0 <= row < filled.shape[0]):
                return False
            if filled[row, column] > level:
                break
            step += 1
        if step > reach:
            return False
    return True


@kernel
def _insert(found: Floats, count: int, x: float, y: float, radius: float, score: float) -> int:
    """Keep `found` sorted and free of near copies."""
    most = found.shape[0]
    if count == most and score <= found[most - 1, 3]:
        return count
    for i in range(count):
        apart = math.hypot(found[i, 0] - x, found[i, 1] - y)
        close = apart < 0.5 * max(radius, found[i, 2]) and 0.7 < radius / found[i, 2] < 1.43
        if close:
            if found[i, 3] >= score:
                return count
            for j in range(i, count - 1):
                found[j] = found[j + 1]
            count -= 1
            break
    place = count
    while place > 0 and found[place - 1, 3] < score:
        place -= 1
    if place >= most:
        return count
    count = min(count + 1, most)
    for j in range(count - 1, place, -1):
        found[j] = found[j - 1]
    found[place, 0], found[place, 1], found[place, 2], found[place, 3] = x, y, radius, score
    return count
