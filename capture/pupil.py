"""The pupil in one picture: candidates, a robust outline, a sub-pixel ellipse, and whether to believe it.

The result depends on the picture alone: a hint (where the pupil was last) only says where to look first, the
outline is followed to its fixed point, and what fails the checks is searched for in the whole picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.ellipse import Floats, kernel, robust_ellipse, semi_axes
from capture.pupil_edge import (
    Flags,
    Image,
    blur_of,
    inner_level,
    quantile,
    sample_normals,
    search_rays,
    step_filter,
    update_ellipse,
)
from capture.pupil_search import find_candidates, mask_glints, reduce_picture
from capture.samples import NO_PUPIL, Pupil

RAYS = 64
MOST_HALF = 12

# places of the numbers that describe an outline
X, Y, P, Q, S, SUPPORT, RESIDUAL, DARK, CONTRAST, UNREST, FLATNESS, SHARE, BLUR, QUALITY = range(14)
FIELDS = 14

SURE_QUALITY = 0.6  # from here on a result is trusted
EVEN = 0.15  # flatness below which no smaller outline can hide inside: a step a seventh of the edge's


@dataclass(frozen=True, slots=True)
class PupilSettings:
    """What is allowed to be a pupil."""

    search_size_px: int = 100  # the reduced picture's longer side is at most this
    candidates: int = 8  # places looked at closely
    least_radius: float = 0.02  # of the picture's longer side: 1.5 mm where the picture shows 37 mm
    most_radius: float = 0.3  # of the picture's shorter side
    least_aspect: float = 0.45  # cos 63 deg: gaze 30 deg on top of a camera 30 deg off axis
    accept_quality: float = 0.25  # below this there is no pupil


@kernel
def tilt_dark(profile: Floats, frame: Floats, usable: Flags, dark: float, tolerance: float, plane: Floats):
    """Fit the pupil's grey level just inside the outline as plane[0] + plane[1] u_x + plane[2] u_y.

    Stray light is not even over a pupil, and a dark level off by a twentieth of the edge's height moves the edge
    by a tenth of a pixel. Rays whose inside is off by more than `tolerance` (a lid, a reflection) do not count.
    """
    n = profile.shape[0]
    s1, sx, sy, sxx, sxy, syy, b0, bx, by = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(n):
        level = (profile[k, 0] + profile[k, 1]) * 0.5 - dark
        if usable[k] and abs(level) < tolerance:
            x, y = frame[k, 0], frame[k, 1]
            s1, sx, sy = s1 + 1.0, sx + x, sy + y
            sxx, sxy, syy = sxx + x * x, sxy + x * y, syy + y * y
            b0, bx, by = b0 + level, bx + level * x, by + level * y
    # worth four rays at zero tilt: decides only where an arc is too short to show one
    sxx, syy = sxx + 4.0, syy + 4.0
    s1 += 1e-9
    cxx, cxy, cyy = sxx - sx * sx / s1, sxy - sx * sy / s1, syy - sy * sy / s1
    dx, dy = bx - sx * b0 / s1, by - sy * b0 / s1
    det = cxx * cyy - cxy * cxy
    plane[1], plane[2] = (cyy * dx - cxy * dy) / det, (cxx * dy - cxy * dx) / det
    plane[0] = dark + (b0 - sx * plane[1] - sy * plane[2]) / s1


@kernel
def judge_rays(
    profile: Floats, frame: Floats, filters: Floats, half: int, plane: Floats, contrast: float, unrest: float,
    height: Floats, shift: Floats, usable: Flags, reflects: Flags,
):  # fmt: skip
    """Step height and shift of every ray, and whether it shows a pupil's edge: see the comments."""
    n, size = profile.shape[0], 2 * half + 1
    ceiling = plane[0] + 2.5 * contrast  # farther above the iris than the iris is above the pupil: a reflection
    for k in range(n):
        h, hs = 0.0, 0.0
        seen, reflects[k] = True, False
        dark = plane[0] + plane[1] * frame[k, 0] + plane[2] * frame[k, 1]
        for j in range(size):
            value = profile[k, j]
            seen = seen and value >= 0.0
            reflects[k] = reflects[k] or value > ceiling
            h += filters[0, j] * (value - dark)
            hs += filters[1, j] * (value - dark)
        height[k] = h
        shift[k] = min(max(hs / h, -0.7 * half), 0.7 * half) if h > 0.0 else 0.0
        inside = 0.5 * (profile[k, 0] + profile[k, 1]) - dark
        usable[k] = (
            seen
            and 0.35 * contrast < h < 2.5 * contrast
            and abs(inside) < 0.15 * contrast + 2.0 * unrest  # else a lid, or a lash beyond which it is bright
        )


@kernel
def spread_flags(flags: Flags, reach: int, usable: Flags):
    """Rays within `reach` of a flagged one are not usable."""
    n = flags.size
    for k in range(n):
        if flags[k]:
            for step in range(-reach, reach + 1):
                usable[(k + step) % n] = False


@kernel
def refine(image: Image, out: Floats) -> bool:
    """Follow the outline in `out` to its fixed point at sub-pixel precision; False when it is lost."""
    ellipse = out[:5]
    radius = math.sqrt(max(ellipse[P] * ellipse[S] - ellipse[Q] * ellipse[Q], 1.0))
    n = min(max(int(2.1 * radius), 40), 128)
    contrast, blur = out[CONTRAST], 2.0
    frame, store = np.empty((n, 4)), np.empty((n, 2 * MOST_HALF + 1))
    filters = np.empty((2, 2 * MOST_HALF + 1))
    height, shift, weight = np.empty(n), np.empty(n), np.empty(n)
    spare, jumps = np.empty(128), np.empty(128)
    usable, reflects = np.empty(n, np.bool_), np.empty(n, np.bool_)
    move, plane = np.empty(5), np.empty(3)
    for step in range(10):
        half = min(max(int(3.0 * blur + 0.5), 4), MOST_HALF, max(int(0.5 * radius), 4))
        profile = store[:, : 2 * half + 1]
        dark, unrest = inner_level(image, ellipse, spare, jumps)
        if math.isnan(dark):
            return False
        sample_normals(image, ellipse, half, profile, frame)
        step_filter(blur, half, filters)
        if step < 2:
            plane[0], plane[1], plane[2] = dark, 0.0, 0.0
        else:
            tilt_dark(profile, frame, usable, dark, 0.2 * contrast + 2.0 * unrest, plane)
        judge_rays(profile, frame, filters, half, plane, contrast, unrest, height, shift, usable, reflects)
        spread_flags(reflects, max(1, int(3.0 * n / (2 * math.pi * radius) + 0.5)), usable)
        count = 0
        for k in range(n):
            if usable[k]:
                spare[count] = height[k]
                count += 1
        if count < 10:
            return False
        contrast = 0.5 * (contrast + quantile(spare, count, 0.5))
        centre = 0.0
        count = 0
        for k in range(n):
            if usable[k]:
                spare[count] = abs(shift[k] - centre)
                count += 1
        spread = 1.4826 * quantile(spare, count, 0.5)
        if step < 2:
            cut = max(4.685 * spread, 1.0)
        else:
            cut = min(max(4.685 * spread, 0.3 * blur), 0.6 * blur)
        noise = unrest * unrest * blur / 0.28
        for k in range(n):
            h = height[k]
            weight[k] = 0.01 / (0.01 + noise / (h * h)) if usable[k] else 0.0
        if not update_ellipse(ellipse, frame, shift, weight, cut, move):
            return False
        seen = blur_of(profile, usable, height, dark, half)
        if math.isnan(seen):
            return False
        blur = min(max(seen, 0.6), 4.0)
        if step >= 4 and abs(move[0]) + abs(move[1]) < 0.002:
            break
    kept, total = 0, 0.0
    for k in range(n):
        if usable[k] and abs(shift[k]) < min(cut, 1.5 + 0.03 * radius):
            kept += 1
            total += shift[k] * shift[k]
    if kept < 10:
        return False
    out[SUPPORT], out[RESIDUAL] = kept / n, math.sqrt(total / kept)
    out[DARK], out[CONTRAST], out[UNREST], out[BLUR] = dark, contrast, unrest, blur
    return True


@kernel
def look_inside(image: Image, out: Floats):
    """Fill in the visible share and how even the inside is (0: even, 1: a step as high as the edge)."""
    rings, around = 9, 40
    middle = np.empty(rings)
    values = np.empty(around)
    dark_area, area = 0.0, 0.0
    inner = max(1.0 - 2.0 * out[BLUR] / math.sqrt(out[P] * out[S]), 0.5)  # the edge's own blur stays out
    half_way, ceiling = out[DARK] + 0.5 * out[CONTRAST], out[DARK] + 2.5 * out[CONTRAST]
    for ring in range(rings):
        rho = (ring + 0.5) / rings * inner
        count = 0
        for k in range(around):
            phi = 2 * math.pi * (k + 0.5 * (ring % 2)) / around
            u, v = rho * math.cos(phi), rho * math.sin(phi)
            column = int(out[X] + out[P] * u + out[Q] * v + 0.5)
            row = int(out[Y] + out[Q] * u + out[S] * v + 0.5)
            if not (0 <= column < image.shape[1] and 0 <= row < image.shape[0]):
                area += rho
                continue
            value = float(image[row, column])
            if value <= ceiling:
                values[count] = value
                count += 1
                area += rho
                dark_area += rho if value < half_way else 0.0
        middle[ring] = quantile(values, count, 0.4)
    out[SHARE] = dark_area / area if area > 0 else 0.0
    low, high = np.nanmin(middle), np.nanmax(middle)
    out[FLATNESS] = max(high - low - out[UNREST], 0.0) / out[CONTRAST]


@kernel
def measure(image: Image, x: float, y: float, radius: float, least_aspect: float, out: Floats) -> float:
    """Measure the pupil near a circle into `out` (FIELDS,); returns its quality, 0 when there is none."""
    xs, ys, use = np.empty(RAYS), np.empty(RAYS), np.empty(RAYS, np.bool_)
    ellipse, limits = out[:5], np.array([0.4 * radius, 2.0 * radius, least_aspect])
    for attempt in range(3):
        contrast = search_rays(image, x, y, radius, xs, ys, use)
        if contrast == 0.0:
            return 0.0
        cost = robust_ellipse(xs, ys, use, max(0.7, 0.02 * radius), limits, ellipse)
        if cost > 0.8:
            return 0.0
        major, minor, _ = semi_axes(ellipse)
        moved = math.hypot(ellipse[0] - x, ellipse[1] - y) / radius
        settled = moved < 0.15 and abs(math.sqrt(major * minor) / radius - 1.0) < 0.12
        x, y, radius = ellipse[0], ellipse[1], math.sqrt(major * minor)
        if settled:
            break
    out[CONTRAST] = contrast
    if not refine(image, out):
        return 0.0
    major, minor, _ = semi_axes(ellipse)
    if minor < least_aspect * major or not (0 <= out[X] < image.shape[1] and 0 <= out[Y] < image.shape[0]):
        return 0.0
    look_inside(image, out)
    out[QUALITY] = quality_of(out, math.sqrt(major * minor))
    return out[QUALITY]


@kernel
def ramp(value: float, zero: float, one: float) -> float:
    """0 at `zero`, 1 at `one`, straight between."""
    return min(max((value - zero) / (one - zero), 0.0), 1.0)


@kernel
def quality_of(out: Floats, radius: float) -> float:
    """0..1, the weakest of: outline seen, outline smooth, edge above the noise, inside even, inside dark."""
    return min(
        ramp(out[SUPPORT], 0.15, 0.5),
        ramp(out[RESIDUAL] / radius, 0.05, 0.015),
        ramp(out[CONTRAST] / out[UNREST], 1.5, 4.0),
        ramp(out[FLATNESS], 0.6, 0.25),
        ramp(out[SHARE], 0.2, 0.6),
    )


@kernel
def search(
    image: Image, size: int, most: int, least: float, greatest: float, least_aspect: float, out: Floats
) -> float:
    """Find the pupil in the whole picture."""
    longer = max(image.shape[0], image.shape[1])
    factor = max(1, (longer + size - 1) // size)
    small = reduce_picture(image, factor)
    masked, filled = mask_glints(small, 2)
    found = np.empty((most, 4))
    count = find_candidates(
        masked,
        filled,
        max(least * longer / factor, 1.8),
        greatest * min(small.shape),
        picture_unrest(small),
        found,
    )
    trial = np.zeros(FIELDS)
    best = 0.0
    for i in range(count):
        x, y = found[i, 0] * factor + 0.5 * (factor - 1), found[i, 1] * factor + 0.5 * (factor - 1)
        quality = measure(image, x, y, found[i, 2] * factor, least_aspect, trial)
        if quality > 0.0 and (best == 0.0 or is_better(trial, out)):
            best = quality
            out[:] = trial
        if best > SURE_QUALITY and out[FLATNESS] < EVEN:
            break
    return best


@kernel
def is_better(one: Floats, two: Floats) -> bool:
    """Whether outline `one` is the likelier pupil: of two good ones, one inside the other, the inner (the iris'
    outline holds the pupil's); else the one of better quality."""
    size_one, size_two = math.sqrt(one[P] * one[S]), math.sqrt(two[P] * two[S])
    apart = math.hypot(one[X] - two[X], one[Y] - two[Y])
    if (
        min(one[QUALITY], two[QUALITY]) > 0.4
        and apart < max(size_one, size_two)
        and (not 0.75 < size_one / size_two < 1.33)
    ):
        return size_one < size_two
    return one[QUALITY] > two[QUALITY]


@kernel
def picture_unrest(small: NDArray[np.float32]) -> float:
    """Noise of a picture from its quiet parts: twice the fifth percentile of neighbours' differences."""
    height, width = small.shape
    values = np.empty(height * (width - 1))
    for y in range(height):
        for x in range(width - 1):
            values[y * (width - 1) + x] = abs(small[y, x + 1] - small[y, x])
    return max(2.0 * quantile(values, values.size, 0.2), 0.25)


class PupilFinder:
    """Finds the pupil in the pictures of one eye; remembers only where it was last."""

    def __init__(self, settings: PupilSettings = PupilSettings()) -> None:
        self._settings = settings
        self._hint = (0.0, 0.0, 0.0)  # x, y, radius; radius 0: none
        self.outline = np.zeros(FIELDS)

    def find(self, image: NDArray[np.uint8]) -> Pupil:
        """The pupil of a picture (height, width), or NO_PUPIL. `outline` then holds the numbers behind it."""
        settings = self._settings
        quality = 0.0
        if self._hint[2] > 0.0:
            quality = measure(image, *self._hint, settings.least_aspect, self.outline)
        if quality < SURE_QUALITY or self.outline[FLATNESS] > EVEN:
            quality = search(
                image, settings.search_size_px, settings.candidates, settings.least_radius,
                settings.most_radius, settings.least_aspect, self.outline,
            )  # fmt: skip
        if quality < settings.accept_quality:
            self._hint = (0.0, 0.0, 0.0)
            return NO_PUPIL
        major, minor, angle = semi_axes(self.outline[:5])
        x, y = float(self.outline[X]), float(self.outline[Y])
        self._hint = (x, y, math.sqrt(major * minor))
        share = float(self.outline[SHARE])
        return Pupil(x, y, major, minor, math.degrees(angle) % 180.0, share, quality)
