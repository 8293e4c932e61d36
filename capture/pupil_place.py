"""The pupil at one place of a picture: its outline measured there, and the outline inside the outline.

The kernels do the work, plain functions say in which order: a kernel is compiled with all that it calls, so a
tree of kernels that call each other would be compiled many times over.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from capture.ellipse import Floats, kernel, robust_ellipse, semi_axes
from capture.pupil_around import closed
from capture.pupil_checks import (
    BLUR,
    CONTRAST,
    FIELDS,
    INNER,
    QUALITY,
    RISE,
    SPREAD,
    UNREST,
    P,
    Q,
    S,
    X,
    Y,
    ramp,
)
from capture.pupil_edge import Image, search_rays
from capture.pupil_faint_settled import rays_deny, settle_faint, warm_up_faint
from capture.pupil_inside import dark_place, darker_disc, texture_inside
from capture.pupil_outline import MOST_RAYS, NONE, follow, settle
from capture.pupil_search import go_after

RAYS = 64

SURE_QUALITY = 0.6  # from here on a result is trusted
UNSURE_QUALITY = 0.55  # at most, where two ways of looking see different outlines
DEEPER_QUALITY = 0.4  # from here on an outline inside another one is the pupil
LIKE_IRIS = 0.11  # least radius of an iris, of the picture's longer side: 5.3 mm where it shows 48 mm
AROUND, FAR_OFF_CENTRE = 1.5, 0.5  # of a dark place's radius: looked at, and where a centre may be
LEAST_DARK = 0.05  # of the picture's longer side: 1.5 mm where it shows 30 mm
SURE_GAIN = 40.0  # of the likelihood that there is a disc inside
CLEAR_GAIN = 150.0  # the same where the inside is even but for that: shadows of lids make up to 110
EVEN, TEXTURED = 0.28, 0.42  # texture inside: below a pupil's, above an iris'
OFF_CENTRE = 0.25  # of the radius: a pupil is in the middle of its iris, the shadow of a lid is not
CLEAR_RISE = 4.0  # grey levels by which what is as large as an iris rises where a pupil is in it
LEAST_RISE = 2.0  # grey levels between pupil and iris: rounding alone makes one, and two now and then
LOST, LOOK_INSIDE, FOUND = 0, 1, 2  # how far `follow_on` led


Circle = tuple[float, float, float]  # x, y, radius in px


class Allowed(NamedTuple):
    """What is allowed to be a pupil."""

    least_px: float  # longer half axis
    least_aspect: float


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
def approach(
    image: Image, x: float, y: float, radius: float, rise: float, least_aspect: float, out: Floats
) -> bool:
    """Fit the first edge points on rays from inside a circle into `out`, and again from what was fitted."""
    xs, ys, use = np.empty(RAYS), np.empty(RAYS), np.empty(RAYS, np.bool_)
    ellipse, limits = out[:5], np.array([0.4 * radius, 2.0 * radius, least_aspect])
    for _ in range(3):
        out[CONTRAST] = search_rays(image, x, y, radius, rise, xs, ys, use)
        if out[CONTRAST] == 0.0:
            return False
        if robust_ellipse(xs, ys, use, max(0.7, 0.02 * radius), limits, ellipse) > 0.8:
            return False
        major, minor, _ = semi_axes(ellipse)
        moved = math.hypot(ellipse[0] - x, ellipse[1] - y) / radius
        settled = moved < 0.15 and abs(math.sqrt(major * minor) / radius - 1.0) < 0.12
        x, y, radius = ellipse[0], ellipse[1], math.sqrt(major * minor)
        if settled:
            break
    return True


def measure(
    image: Image, circle: Circle, allowed: Allowed, out: Floats, rise: float = 0.0, half: int = 6
) -> float:
    """Measure the pupil near a circle into `out` (FIELDS,); returns its quality, 0 when there is none.

    rise: grey levels from the pupil to what surrounds it where they are known, else 0.
    half: px to each side in which the edge is looked for at first.
    """
    out[QUALITY] = 0.0
    if approach(image, *circle, rise, allowed.least_aspect, out):
        settle(image, out, half, False)
        out[QUALITY] *= is_allowed(image, out, *allowed)
    return out[QUALITY]


def measure_again(image: Image, allowed: Allowed, out: Floats) -> float:
    """Follow the outline of an earlier picture, in `out`, to its place in this one; returns its quality.

    An eye at rest or slow is followed by short rays, one that jumped by longer ones from where the dark is
    now; where neither leads to a pupil, rays from there and from its old centre may.
    """
    before, radius = out.copy(), math.sqrt(out[P] * out[S])
    way = follow_on(image, *allowed, False, out)
    if way == LOST:
        out[:] = before
        go_after(image, out)
        x, y = float(out[X]), float(out[Y])
        way = follow_on(image, *allowed, True, out)
        if way == LOST:
            measure(image, (x, y, radius), allowed, out)
    if way == FOUND:
        return out[QUALITY]
    if best_inside(image, allowed, True, out) < SURE_QUALITY:
        measure(image, (before[X], before[Y], radius), allowed, out)
        best_inside(image, allowed, False, out)
    return out[QUALITY]


@kernel
def follow_on(image: Image, least_px: float, least_aspect: float, jumped: bool, out: Floats) -> int:
    """Follow an outline by its rays: LOST, FOUND, or LOOK_INSIDE where that is not all there is to do.

    One that jumped is brought near first, so that where it ends does not hang on where it came from.
    """
    if jumped:
        frame, shift, state = np.empty((MOST_RAYS, 4)), np.empty(MOST_RAYS), np.empty(MOST_RAYS)
        if follow(image, out, 6, False, NONE, frame, shift, state) == 0:
            return LOST
    if settle(image, out, 4, True) < SURE_QUALITY:
        return LOST
    out[QUALITY] *= is_allowed(image, out, least_px, least_aspect)
    if is_uneven_iris(image, out, True) or rises_inside(image, out, True):
        return LOOK_INSIDE
    quality = out[QUALITY] * closed(image, out)
    if quality < SURE_QUALITY:
        return LOOK_INSIDE
    out[QUALITY] = quality
    return FOUND


def best_inside(image: Image, allowed: Allowed, tracked: bool, out: Floats) -> float:
    """Take the outline inside the outline where there is one; returns the quality of what stays."""
    if out[QUALITY] > 0.0:
        look_deeper(image, allowed, tracked, out)
    if out[QUALITY] > 0.0:
        out[QUALITY] *= closed(image, out)
    return out[QUALITY]


def look_deeper(image: Image, allowed: Allowed, tracked: bool, out: Floats) -> None:
    """Take the outline inside the outline where there is one as sharp.

    The iris' outline against the white of the eye looks like a pupil's, but holds the pupil's; under a dark
    iris that is a step of a few grey levels only. What is as large as an iris is looked into whenever it is
    found anew, and while it is tracked (its pupil was looked for then) where its inside is uneven; what is
    smaller, from one grey level more on while it is tracked.
    """
    size, inside = math.sqrt(out[P] * out[S]), np.zeros(FIELDS)
    if is_uneven_iris(image, out, tracked):
        pupil_of_iris(image, allowed, out)
        if size > 1.01 * math.sqrt(out[P] * out[S]):
            return
    if not rises_inside(image, out, tracked):
        return
    radius = max(out[INNER] * size, allowed.least_px)
    rise = out[RISE] + out[UNREST]  # a low quantile of the textured iris stands for it in RISE
    half = min(max(int(0.7 * (size - radius)), 4), 6)  # not as far as the outline around
    measure(image, (out[X], out[Y], radius), allowed, inside, rise, half)
    if is_inside(inside, out):
        out[:] = inside
    elif is_like_iris(image, out):  # it is there, but is not measured
        out[QUALITY] *= ramp(out[RISE] / out[UNREST], 6.0, 4.0)


@kernel
def is_like_iris(image: Image, out: Floats) -> bool:
    """Whether an outline is as large as an iris."""
    return math.sqrt(out[P] * out[S]) >= LIKE_IRIS * max(image.shape[0], image.shape[1])


@kernel
def is_uneven_iris(image: Image, out: Floats, tracked: bool) -> bool:
    """Whether a disc is to be looked for inside what is as large as an iris."""
    return is_like_iris(image, out) and (not tracked or out[SPREAD] > 1.2 * out[UNREST] + 0.5)


@kernel
def rises_inside(image: Image, out: Floats, tracked: bool) -> bool:
    """Whether the inside of an outline rises from its middle as if a pupil's edge were there."""
    least = max(LEAST_RISE + tracked, 1.5 * out[UNREST])
    if is_like_iris(image, out):
        least = max(least, CLEAR_RISE, 2.5 * out[UNREST])
    return out[RISE] >= least


def pupil_of_iris(image: Image, allowed: Allowed, out: Floats) -> None:
    """Take the pupil inside an outline as large as an iris'; the less quality where it is not measured.

    In a pupil, which is even, the shadow of a lid makes a disc, too: less than a clear one is then taken only
    where it is measured beyond doubt, else neither is beyond doubt.
    """
    texture, inside = texture_inside(image, out), out.copy()
    gain = measure_disc(image, True, SURE_GAIN, allowed, inside)
    if gain == 0.0:
        out[QUALITY] = inside[QUALITY] * ramp(texture, TEXTURED, EVEN)
    elif texture >= EVEN or gain >= CLEAR_GAIN or inside[QUALITY] >= SURE_QUALITY:
        out[:] = inside
    else:
        out[QUALITY] = min(out[QUALITY], UNSURE_QUALITY)


def measure_disc(image: Image, in_iris: bool, least_gain: float, allowed: Allowed, out: Floats) -> float:
    """Take the darker disc inside an outline where it is good; in an iris it is near the middle.

    Returns the gain of its likelihood, 0 where none is taken.
    """
    found, inside = np.zeros(4), np.zeros(FIELDS)
    gain = darker_disc(image, out, OFF_CENTRE if in_iris else FAR_OFF_CENTRE, found)
    if gain < least_gain:
        return 0.0
    radius = found[2] * math.sqrt(out[P] * out[S])
    half = min(max(int(0.25 * radius), 4), 8)
    for way in range(3):
        inside[X], inside[Y], inside[CONTRAST] = found[0], found[1], found[3]
        inside[P], inside[Q], inside[S] = found[2] * out[P], found[2] * out[Q], found[2] * out[S]
        if way == 0:
            settle_faint(image, inside, half, in_iris)
        elif way == 1:
            settle(image, inside, half, False)
        else:
            measure(image, (found[0], found[1], radius), allowed, inside, found[3], 5)
        inside[QUALITY] *= is_allowed(image, inside, *allowed)
        if is_inside(inside, out):
            out[:] = inside
            return gain
    out[QUALITY] *= gain < CLEAR_GAIN  # a pupil is there, but is not measured
    return 0.0


@kernel
def is_inside(inside: Floats, out: Floats) -> bool:
    """Whether `inside` is a good outline within the outline `out` and about as sharp."""
    size = math.sqrt(out[P] * out[S])
    apart = math.hypot(inside[X] - out[X], inside[Y] - out[Y]) + math.sqrt(abs(inside[P] * inside[S]))
    return inside[QUALITY] > DEEPER_QUALITY and apart < size and inside[BLUR] < 1.6 * out[BLUR]


def measure_dark(image: Image, circle: Circle, allowed: Allowed, out: Floats) -> None:
    """Measure what single rays do not find near a circle: a disc in a dark place, or all rays at once.

    Small dark spots are many in hair and skin, and corners in a room, so what is smaller than a pupil usually
    is must be found otherwise, and what single rays deny is none.
    """
    x, y, radius = circle
    dark_place(image, x, y, AROUND * radius, out)
    if not (out[CONTRAST] > 0.0 and measure_disc(image, False, SURE_GAIN, allowed, out) > 0.0):
        out[X], out[Y], out[P], out[Q], out[S] = x, y, radius, 0.0, radius
        settle_faint(image, out, min(max(int(0.35 * radius), 4), 12), False)
        out[QUALITY] *= is_allowed(image, out, *allowed)
    _, minor, _ = semi_axes(out[:5])
    out[QUALITY] *= minor > LEAST_DARK * max(image.shape)
    if out[QUALITY] > 0.0 and rays_deny(image, out):
        out[QUALITY] = 0.0


def warm_up_place(image: Image, outline: Floats) -> None:
    """Compile what measuring a place seldom needs; the outline may be any that was found in the picture."""
    out, size = outline.copy(), math.sqrt(outline[P] * outline[S])
    allowed = Allowed(1.0, 0.1)
    go_after(image, out)
    measure(image, (out[X], out[Y], size), allowed, out)
    is_inside(out, outline)
    is_uneven_iris(image, out, False)
    rises_inside(image, out, False)
    ramp(texture_inside(image, out), TEXTURED, EVEN)
    darker_disc(image, out, OFF_CENTRE, np.zeros(4))
    warm_up_faint(image, out)
    rays_deny(image, out)
    dark_place(image, out[X], out[Y], size, out)
    closed(image, out)
