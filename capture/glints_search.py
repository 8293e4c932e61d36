"""Reflections on the cornea, found in one picture with sub-pixel centres.

A reflection is a small bright blob near the pupil. Its outline is read on rays, each against the background
where that ray leaves the blob: half on the pupil and half on the iris, saturated or not, it keeps its centre.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from capture.ellipse import Floats, kernel
from capture.pupil_checks import BLUR, CONTRAST, DARK, P, Q, S, X, Y
from capture.pupil_edge import Image, grey_at

MOST = 6  # reflections looked at in one picture
FINE = 400  # px, a longer side from which on every other pixel is enough to notice a reflection
NEAR_PX = 0.1  # a move below this: what is left is its square over the radius
MOST_STARTS = 16  # bright places looked at in one picture
RAYS = 24
REGION = 0.17  # of the picture's longer side round the pupil: 5.4 mm where the picture shows 32 mm
REACH = 0.032  # same: the largest radius of a reflection, 1 mm
LEAST_RAYS = 17  # of 24 that must show an outline
HEIGHT = 1.5  # a reflection stands this many pupil-to-iris contrasts above the iris, as in pupil_outline
LEAST_HEIGHT = 0.3  # of the highest reflection of the picture, above its background
ACROSS = np.cos(2 * np.pi * np.arange(RAYS) / RAYS)
DOWN = np.sin(2 * np.pi * np.arange(RAYS) / RAYS)


@kernel
def find_glints(image: Image, outline: Floats, profile: Floats, found: Floats) -> int:
    """Write x, y, radius, height of each reflection round the pupil into `found` (MOST, 4); returns how many.

    `outline` is that of the pupil (pupil_checks.FIELDS); `profile` (RAYS, n) is room to work in.
    """
    height, width = image.shape
    longer = max(height, width)
    iris = outline[DARK] + outline[CONTRAST]
    half, reach = REGION * longer, REACH * longer + 2.0
    top, low = max(int(outline[Y] - half), 1), min(int(outline[Y] + half), height - 2)
    left, right = max(int(outline[X] - half), 1), min(int(outline[X] + half), width - 2)
    tops = row_tops(image, top, low, left, right)
    bar = int(max(min(iris + HEIGHT * outline[CONTRAST], 250.0), 0.5 * (iris + tops.max())))
    step, count, starts, failed_x, failed_y = 1 + longer // FINE, 0, 0, -1.0, -1.0
    for row in range(top + step, low + 1, step):
        if tops[row - top] < bar:
            continue
        for column in range(left + step, right + 1, step):
            if image[row, column] < bar or not _is_corner(image, row, column, step, bar):
                continue
            trial = found[count]
            if not _walk_inside(image, row, column, reach, bar, trial):
                continue
            x, y = trial[0], trial[1]
            if _is_known(found, count, x, y) or abs(x - failed_x) + abs(y - failed_y) < 3.0:
                continue
            starts += 1
            if _stands_alone(image, trial, reach, iris) and _settle(image, outline, profile, trial):
                count += 1
            else:
                failed_x, failed_y = x, y
            if count == MOST or starts == MOST_STARTS:
                return _keep_high(found, count)
    return _keep_high(found, count)


@kernel
def _keep_high(found: Floats, count: int) -> int:
    """Keep what is not much lower than the highest; lids and lashes in a dark picture are."""
    high, kept = 0.0, 0
    for i in range(count):
        high = max(high, found[i, 3])
    for i in range(count):
        if found[i, 3] >= LEAST_HEIGHT * high:
            found[kept] = found[i]
            kept += 1
    return kept


@kernel
def row_tops(image: Image, top: int, low: int, left: int, right: int) -> NDArray[np.uint8]:
    """(low - top + 1,) the brightest pixel of each row of a part of the picture, its borders included."""
    tops = np.zeros(max(low - top + 1, 1), np.uint8)
    for row in range(top, low + 1):
        most = np.uint8(0)
        for value in image[row, left : right + 1]:
            most = max(most, value)
        tops[row - top] = most
    return tops


@kernel
def _is_corner(image: Image, row: int, column: int, step: int, bar: int) -> bool:
    """Whether a bright place begins here: nothing bright to the left and above."""
    return (
        image[row, column - step] < bar
        and image[row - step, column] < bar
        and image[row - step, column - step] < bar
    )


@kernel
def _walk_inside(image: Image, row: int, column: int, reach: float, bar: int, blob: Floats) -> bool:
    """Walk from a corner to the middle of what is bright, into `blob`; False where it is too large."""
    left, right, top, low, most = column, column, row, row, int(2.0 * reach)
    for _ in range(2):
        left, right = column, column
        while left > 0 and column - left < most and image[row, left - 1] >= bar:
            left -= 1
        while right < image.shape[1] - 1 and right - column < most and image[row, right + 1] >= bar:
            right += 1
        column = (left + right) // 2
        top, low = row, row
        while top > 0 and row - top < most and image[top - 1, column] >= bar:
            top -= 1
        while low < image.shape[0] - 1 and low - row < most and image[low + 1, column] >= bar:
            low += 1
        row = (top + low) // 2
    blob[0], blob[1] = column, row
    return right - left < most and low - top < most


@kernel
def _is_known(found: Floats, count: int, x: float, y: float) -> bool:
    """Whether (x, y) lies in one of the first `count` reflections."""
    known = False
    for i in range(count):
        known |= math.hypot(found[i, 0] - x, found[i, 1] - y) < found[i, 2] + 2.0
    return known


@kernel
def _stands_alone(image: Image, blob: Floats, reach: float, iris: float) -> bool:
    """Whether it is darker all round: no sclera, no lid. Two of eight looks may meet another reflection."""
    bright, half_way = 0, 0.5 * (iris + image[int(blob[1]), int(blob[0])])
    for k in range(0, RAYS, RAYS // 8):
        x, y = int(blob[0] + reach * ACROSS[k]), int(blob[1] + reach * DOWN[k])
        outside = x < 0 or y < 0 or x >= image.shape[1] or y >= image.shape[0]
        bright += 1 if outside or image[y, x] >= half_way else 0
    return bright <= 2


@kernel
def _settle(image: Image, outline: Floats, profile: Floats, blob: Floats) -> bool:
    """Bring `blob` (x, y, radius, height) to the middle of a reflection; False where there is none."""
    peak, rough = grey_at(image, blob[0], blob[1]), 0.0
    for _ in range(4):
        x, y = blob[0], blob[1]
        rough = _circle(image, outline, peak, profile, blob)
        moved = math.hypot(blob[0] - x, blob[1] - y)
        if not moved < profile.shape[1]:
            return False
        if moved < NEAR_PX:
            break
    return 0.5 <= blob[2] <= profile.shape[1] - 3 and rough < 0.2 + 0.06 * blob[2]


@kernel
def _circle(image: Image, outline: Floats, peak: float, profile: Floats, blob: Floats) -> float:
    """Fit a circle to the outline seen from (x, y) and move there, NaN without one; returns the misfit (px).

    Light adds up: the outline lies where a ray is the same amount above its own background. Near the pupil's
    edge its step is taken out of the rays first.
    """
    size, blur, iris = profile.shape[1], outline[BLUR], outline[DARK] + outline[CONTRAST]
    ends, grounds, half_way = np.empty(RAYS), np.empty(RAYS), 0.5 * (iris + peak)
    on_edge = abs(beyond_edge(outline, blob[0], blob[1])) < size
    lowest, above, seen, missed = 255.0, min(0.5 * (peak - iris), 150.0), 0, 0
    for k in range(RAYS):
        c, s, ends[k] = ACROSS[k], DOWN[k], -1.0
        end = -1
        for j in range(size):
            x, y = blob[0] + j * c, blob[1] + j * s
            profile[k, j] = grey_at(image, x, y)
            if on_edge and profile[k, j] >= 0.0:
                t = min(max(beyond_edge(outline, x, y) / (2.2 * blur), -1.0), 1.0)
                profile[k, j] += outline[CONTRAST] * (
                    0.5 - 0.75 * t + 0.25 * t * t * t
                )  # nearly a blurred step
            if end < 0 and profile[k, j] < half_way:
                end = j
            if end >= 0 and j >= end + 2.0 * blur + 1.0:
                break
        if end < 1 or end + 2 >= size:
            missed += 1
            if missed > RAYS - LEAST_RAYS:
                break
            continue
        last = min(end + int(2.0 * blur + 1.5), size - 1)
        ground = 255.0
        for j in range(end, last + 1):
            ground = min(ground, profile[k, j])
        if ground < 0.0 or ground + above > 250.0:  # the picture ends, or what is beside is too bright
            continue
        ends[k], grounds[k] = end, ground
        lowest, seen = min(lowest, ground), seen + 1
    if seen < LEAST_RAYS:
        blob[0] = math.nan
        return math.nan
    blob[3] = peak - lowest
    return _fit_circle(profile, ends, grounds, above, blob)


@kernel
def beyond_edge(outline: Floats, x: float, y: float) -> float:
    """How far (px) a place lies outside the pupil's outline; negative inside."""
    dx, dy = x - outline[X], y - outline[Y]
    determinant = outline[P] * outline[S] - outline[Q] * outline[Q]
    u, v = outline[S] * dx - outline[Q] * dy, outline[P] * dy - outline[Q] * dx
    rho = math.sqrt(u * u + v * v) / determinant
    return math.sqrt(dx * dx + dy * dy) * (1.0 - 1.0 / max(rho, 1e-6))


@kernel
def _fit_circle(profile: Floats, ends: Floats, grounds: Floats, above: float, blob: Floats) -> float:
    """Least squares of r = radius + dx cos + dy sin over the rays that cross; returns the misfit (px)."""
    radii = np.empty(RAYS)
    for k in range(RAYS):
        radii[k] = math.nan
        if ends[k] < 0.0:
            continue
        level = grounds[k] + above
        for j in range(1, profile.shape[1]):
            if profile[k, j] < level <= profile[k, j - 1]:
                radii[k] = j - (level - profile[k, j]) / (profile[k, j - 1] - profile[k, j])
                break
    a, bx, by, misfit = 0.0, 0.0, 0.0, 1e9
    for _ in range(2):
        n, c1, s1, cc, cs, ss, r0, rc, rs = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        square = 0.0
        for k in range(RAYS):
            c, s = ACROSS[k], DOWN[k]
            off = radii[k] - a - bx * c - by * s
            if radii[k] != radii[k] or abs(off) > max(2.5 * misfit, 0.3):
                continue
            n, c1, s1 = n + 1.0, c1 + c, s1 + s
            cc, cs, ss = cc + c * c, cs + c * s, ss + s * s
            r0, rc, rs = r0 + radii[k], rc + radii[k] * c, rs + radii[k] * s
        if n < LEAST_RAYS:
            blob[0] = math.nan
            return math.nan
        # eliminate the mean, then two by two
        ccm, csm, ssm = cc - c1 * c1 / n, cs - c1 * s1 / n, ss - s1 * s1 / n
        rcm, rsm = rc - r0 * c1 / n, rs - r0 * s1 / n
        determinant = ccm * ssm - csm * csm
        bx, by = (rcm * ssm - rsm * csm) / determinant, (rsm * ccm - rcm * csm) / determinant
        a = (r0 - bx * c1 - by * s1) / n
        for k in range(RAYS):
            if radii[k] == radii[k]:
                square += min(abs(radii[k] - a - bx * ACROSS[k] - by * DOWN[k]), 2.0) ** 2
        misfit = math.sqrt(square / RAYS)
    blob[0] += bx
    blob[1] += by
    blob[2] = a
    return misfit
