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
from capture.pupil_around import closed
from capture.pupil_checks import (
    BLUR,
    CLEAN,
    CONTRAST,
    FIELDS,
    INNER,
    QUALITY,
    RISE,
    SHARE,
    SPREAD,
    UNREST,
    P,
    Q,
    S,
    X,
    Y,
    ramp,
    roughness,
)
from capture.pupil_edge import Image, search_rays
from capture.pupil_inside import dark_place, darker_disc, texture_inside
from capture.pupil_outline import rays_deny, settle, settle_faint
from capture.pupil_search import (
    darkest_places,
    find_candidates,
    go_after,
    mask_glints,
    picture_unrest,
    reduce_picture,
)
from capture.samples import NO_PUPIL, Pupil

RAYS = 64

SURE_QUALITY = 0.6  # from here on a result is trusted
UNSURE_QUALITY = 0.55  # at most, where single rays and all at once see different outlines
STOP_QUALITY = 0.9  # of a clean outline: no other place is looked at
DEEPER_QUALITY = 0.4  # from here on an outline inside another one is the pupil
LIKE_IRIS = 0.11  # least radius of an iris, of the picture's longer side: 5.3 mm where it shows 48 mm
FAINT = 3  # best places looked at with all rays at once where single rays lead to no pupil
AROUND, FAR_OFF_CENTRE = 1.5, 0.5  # of such a place's radius: looked at, and where a centre may be
LEAST_DARK = 0.05  # of the picture's longer side: 1.5 mm where it shows 30 mm
DARKEST = 4  # darkest places looked at where no ring leads to a pupil
SURE_GAIN = 40.0  # of the likelihood that there is a disc inside
CLEAR_GAIN = 150.0  # the same where the inside is even but for that: shadows of lids make up to 110
EVEN, TEXTURED = 0.28, 0.42  # texture inside: below a pupil's, above an iris'
OFF_CENTRE = 0.25  # of the radius: a pupil is in the middle of its iris, the shadow of a lid is not
CLEAR_RISE = 4.0  # grey levels by which what is as large as an iris rises where a pupil is in it
LEAST_RISE = 2.0  # grey levels between pupil and iris: rounding alone makes one, and two now and then


@dataclass(frozen=True, slots=True)
class PupilSettings:
    """What is allowed to be a pupil."""

    search_size_px: int = 100  # the reduced picture's longer side is at most this
    candidates: int = 8  # places looked at closely
    least_radius: float = 0.02  # of the picture's longer side: 1.5 mm where the picture shows 37 mm
    most_radius: float = 0.3  # of the picture's shorter side
    least_aspect: float = 0.45  # cos 63 deg: gaze 30 deg on top of a camera 30 deg off axis
    accept_quality: float = 0.35  # below this there is no pupil


@kernel
def is_allowed(image: Image, out: Floats, least_px: float, least_aspect: float) -> bool:
    """Whether the outline has the size and shape of a pupil and its centre lies in the picture."""
    major, minor, _ = semi_axes(out[:5])
    return (
        major >= least_px
        and minor >= least_aspect * major
        and 0 <= out[X] < image.shape[1]
        and 0 <= out[Y] < image.shape[0]
    )


@kernel
def measure(
    image: Image, x: float, y: float, radius: float, rise: float, half: int, least_px: float, least_aspect:
    float, out: Floats,
) -> float:  # fmt: skip
    """Measure the pupil near a circle into `out` (FIELDS,); returns its quality, 0 when there is none.

    rise: grey levels from the pupil to what surrounds it where they are known, else 0.
    half: px to each side in which the edge is looked for at first.
    """
    out[QUALITY] = 0.0
    xs, ys, use = np.empty(RAYS), np.empty(RAYS), np.empty(RAYS, np.bool_)
    ellipse, limits = out[:5], np.array([0.4 * radius, 2.0 * radius, least_aspect])
    for _ in range(3):
        out[CONTRAST] = search_rays(image, x, y, radius, rise, xs, ys, use)
        if out[CONTRAST] == 0.0:
            return 0.0
        if robust_ellipse(xs, ys, use, max(0.7, 0.02 * radius), limits, ellipse) > 0.8:
            return 0.0
        major, minor, _ = semi_axes(ellipse)
        moved = math.hypot(ellipse[0] - x, ellipse[1] - y) / radius
        settled = moved < 0.15 and abs(math.sqrt(major * minor) / radius - 1.0) < 0.12
        x, y, radius = ellipse[0], ellipse[1], math.sqrt(major * minor)
        if settled:
            break
    settle(image, out, half)
    out[QUALITY] *= is_allowed(image, out, least_px, least_aspect)
    return out[QUALITY]


@kernel
def measure_again(image: Image, least_px: float, least_aspect: float, out: Floats) -> float:
    """Follow the outline of an earlier picture, in `out`, to its place in this one; returns its quality.

    An eye at rest or slow is followed by short rays, one that jumped from where the dark is now; where
    neither leads to a pupil, rays from its old centre may.
    """
    x, y, radius, before = out[X], out[Y], math.sqrt(out[P] * out[S]), out.copy()
    if settle(image, out, 4, True) < SURE_QUALITY:
        out[:] = before
        go_after(image, out)
        measure(image, out[X], out[Y], radius, 0.0, 6, least_px, least_aspect, out)
    out[QUALITY] *= is_allowed(image, out, least_px, least_aspect)
    if best_inside(image, least_px, least_aspect, True, out) < SURE_QUALITY:
        measure(image, x, y, radius, 0.0, 6, least_px, least_aspect, out)
        best_inside(image, least_px, least_aspect, False, out)
    return out[QUALITY]


@kernel
def best_inside(image: Image, least_px: float, least_aspect: float, tracked: bool, out: Floats) -> float:
    """Take the outline inside the outline where there is one; returns the quality of what stays."""
    if look_deeper(image, least_px, least_aspect, tracked, out) > 0.0:
        out[QUALITY] *= closed(image, out)
    return out[QUALITY]


@kernel
def look_deeper(image: Image, least_px: float, least_aspect: float, tracked: bool, out: Floats) -> float:
    """Take the outline inside the outline where there is one as sharp; returns the quality of what stays.

    The iris' outline against the white of the eye looks like a pupil's, but holds the pupil's; under a dark
    iris that is a step of a few grey levels only. What is as large as an iris is looked into whenever it is
    found anew, and while it is tracked (its pupil was looked for then) where its inside is uneven; what is
    smaller, from one grey level more on while it is tracked.
    """
    size, inside = math.sqrt(out[P] * out[S]), np.zeros(FIELDS)
    if out[QUALITY] == 0.0:
        return 0.0
    like_iris = size >= LIKE_IRIS * max(image.shape[0], image.shape[1])
    if like_iris:
        if not tracked or out[SPREAD] > 1.2 * out[UNREST] + 0.5:
            pupil_of_iris(image, least_px, least_aspect, out)
        if size > 1.01 * math.sqrt(out[P] * out[S]) or out[RISE] < max(CLEAR_RISE, 2.5 * out[UNREST]):
            return out[QUALITY]
    if out[RISE] < max(LEAST_RISE + tracked, 1.5 * out[UNREST]):
        return out[QUALITY]
    radius = max(out[INNER] * size, least_px)
    rise = out[RISE] + out[UNREST]  # a low quantile of the textured iris stands for it in RISE
    half = min(max(int(0.7 * (size - radius)), 4), 6)  # not as far as the outline around
    measure(image, out[X], out[Y], radius, rise, half, least_px, least_aspect, inside)
    if is_inside(inside, out):
        out[:] = inside
    elif like_iris:  # it is there, but is not measured
        out[QUALITY] *= ramp(out[RISE] / out[UNREST], 6.0, 4.0)
    return out[QUALITY]


@kernel
def pupil_of_iris(image: Image, least_px: float, least_aspect: float, out: Floats):
    """Take the pupil inside an outline as large as an iris'; the less quality where it is not measured."""
    texture = texture_inside(image, out)
    gain = CLEAR_GAIN if texture < EVEN else SURE_GAIN
    if not measure_disc(image, OFF_CENTRE, gain, least_px, least_aspect, out):
        out[QUALITY] *= ramp(texture, TEXTURED, EVEN)


@kernel
def measure_disc(
    image: Image, off_centre: float, least_gain: float, least_px: float, least_aspect: float, out: Floats
) -> bool:
    """Take the darker disc inside an outline (its centre at most `off_centre` radii off) where it is good."""
    found, inside = np.zeros(4), np.zeros(FIELDS)
    if darker_disc(image, out, off_centre, found) < least_gain:
        return False
    radius = found[2] * math.sqrt(out[P] * out[S])
    half = min(max(int(0.25 * radius), 4), 8)
    for way in range(3):
        inside[X], inside[Y], inside[CONTRAST] = found[0], found[1], found[3]
        inside[P], inside[Q], inside[S] = found[2] * out[P], found[2] * out[Q], found[2] * out[S]
        if way == 0:
            settle_faint(image, inside, half)
        elif way == 1:
            settle(image, inside, half)
        else:
            measure(image, found[0], found[1], radius, found[3], 5, least_px, least_aspect, inside)
        inside[QUALITY] *= is_allowed(image, inside, least_px, least_aspect)
        if is_inside(inside, out):
            out[:] = inside
            return True
    return False


@kernel
def is_inside(inside: Floats, out: Floats) -> bool:
    """Whether `inside` is a good outline within the outline `out` and about as sharp."""
    size = math.sqrt(out[P] * out[S])
    apart = math.hypot(inside[X] - out[X], inside[Y] - out[Y]) + math.sqrt(abs(inside[P] * inside[S]))
    return inside[QUALITY] > DEEPER_QUALITY and apart < size and inside[BLUR] < 1.6 * out[BLUR]


@kernel
def search(
    image: Image, size: int, most: int, least: float, greatest: float, least_aspect: float, out: Floats
) -> float:
    """Find the pupil in the whole picture."""
    longer = max(image.shape[0], image.shape[1])
    factor = max(1, (longer + size - 1) // size)
    small = reduce_picture(image, factor)
    unrest = picture_unrest(small)
    masked, filled = mask_glints(small, 2, unrest)
    found, trial, best = np.empty((most, 4)), np.zeros(FIELDS), 0.0
    smallest, largest = max(least * longer / factor, 1.8), greatest * min(small.shape)
    count, first = 0, 0.0
    for way in range(3):
        if way == 0:
            count = find_candidates(masked, filled, smallest, largest, unrest, found)
        elif way == 1:
            count = min(count, FAINT)
        else:
            found = found[:DARKEST]
            count = darkest_places(filled, unrest, found)
        for i in range(count):
            x, y = found[i, 0] * factor + 0.5 * (factor - 1), found[i, 1] * factor + 0.5 * (factor - 1)
            if way == 1:
                measure_dark(image, x, y, found[i, 2] * factor, least * longer, least_aspect, trial)
            else:
                measure(image, x, y, found[i, 2] * factor, 0.0, 6, least * longer, least_aspect, trial)
            quality = best_inside(image, least * longer, least_aspect, False, trial)
            if quality > 0.0 and (best == 0.0 or is_better(trial, out)):
                best = quality
                out[:] = trial
            if best > STOP_QUALITY and roughness(out) < CLEAN:
                return best
        if best > SURE_QUALITY:
            break
        first = best if way == 0 else first
    if first > DEEPER_QUALITY:
        best = out[QUALITY] = min(best, UNSURE_QUALITY)
    return best


@kernel
def measure_dark(
    image: Image, x: float, y: float, radius: float, least_px: float, least_aspect: float, out: Floats
):  # fmt: skip
    """Measure what single rays do not find near a circle: a disc in a dark place, or all rays at once.

    Small dark spots are many in hair and skin, and corners in a room, so what is smaller than a pupil usually
    is must be found otherwise, and what single rays deny is none.
    """
    dark_place(image, x, y, AROUND * radius, out)
    if not (
        out[CONTRAST] > 0.0 and measure_disc(image, FAR_OFF_CENTRE, SURE_GAIN, least_px, least_aspect, out)
    ):
        out[X], out[Y], out[P], out[Q], out[S] = x, y, radius, 0.0, radius
        settle_faint(image, out, min(max(int(0.35 * radius), 4), 12))
        out[QUALITY] *= is_allowed(image, out, least_px, least_aspect)
    _, minor, _ = semi_axes(out[:5])
    out[QUALITY] *= minor > LEAST_DARK * max(image.shape[0], image.shape[1])
    if out[QUALITY] > 0.0 and rays_deny(image, out):
        out[QUALITY] = 0.0


@kernel
def is_better(one: Floats, two: Floats) -> bool:
    """Whether outline `one` is the likelier pupil.

    Of two good ones, one inside the other, the inner (the iris' outline holds the pupil's); else the one of
    better quality.
    """
    size_one, size_two = math.sqrt(one[P] * one[S]), math.sqrt(two[P] * two[S])
    apart = math.hypot(one[X] - two[X], one[Y] - two[Y])
    nested = apart < max(size_one, size_two) and not 0.75 < size_one / size_two < 1.33
    if nested and min(one[QUALITY], two[QUALITY]) > 0.4:
        return size_one < size_two
    return one[QUALITY] > two[QUALITY]


class PupilFinder:
    """Finds the pupil in the pictures of one eye; remembers only where it was last."""

    def __init__(self, settings: PupilSettings = PupilSettings()) -> None:
        self._settings = settings
        self._found = False
        self.outline = np.zeros(FIELDS)

    def find(self, image: NDArray[np.uint8]) -> Pupil:
        """The pupil of a picture (height, width), or NO_PUPIL. `outline` then holds the numbers behind it."""
        settings, outline = self._settings, self.outline
        least_px = settings.least_radius * max(image.shape)
        quality = measure_again(image, least_px, settings.least_aspect, outline) if self._found else 0.0
        if quality < SURE_QUALITY:
            quality = search(
                image, settings.search_size_px, settings.candidates, settings.least_radius,
                settings.most_radius, settings.least_aspect, outline,
            )  # fmt: skip
        self._found = quality >= settings.accept_quality
        if not self._found:
            return NO_PUPIL
        major, minor, angle = semi_axes(outline[:5])
        share = float(outline[SHARE])
        return Pupil(
            float(outline[X]), float(outline[Y]), major, minor, math.degrees(angle) % 180.0, share, quality
        )
