"""What lies around an outline: how dark it is in its picture, and whether something brighter is all round."""

from __future__ import annotations

import math

import numpy as np

from capture.ellipse import Floats, kernel
from capture.pupil_checks import BLUR, CONTRAST, DARK, UNREST, P, Q, S, X, Y, ramp
from capture.pupil_edge import Image, grey_at

AROUND = 48  # directions
COS, SIN = np.cos(2 * np.pi * np.arange(AROUND) / AROUND), np.sin(2 * np.pi * np.arange(AROUND) / AROUND)
# A direction is open below this share of the edge's height beyond the outline. An iris ends at most so far
# off, of the picture's longer side (7 mm where it shows 24 mm), at something so many of the edge's heights
# above the pupil. Chosen on 51 false answers and 2,658 in eyes (seeds 6,100,000 to 6,139,999 and 7,100,000 to
# 7,109,999; 6,200,000 to 6,202,999); that a dark cover may cross an eighth of an outline, not on them.
AS_DARK, IRIS_REACH, BEYOND_IRIS, OPEN = 0.3, 0.3, 2.0, 0.12


@kernel
def darkness(image: Image, dark: float) -> float:
    """`dark` over the mean of what is brighter in the picture (no black border is), from every n-th pixel."""
    stride = max(1, int(math.sqrt(image.size / 2400.0)))
    total, count = 0, 0
    for y in range(stride // 2, image.shape[0], stride):
        for x in range(stride // 2, image.shape[1], stride):
            value = image[y, x]
            if value > dark:
                total, count = total + value, count + 1
    return dark * count / total if total > 0 else 1.0


@kernel
def surround(image: Image, out: Floats) -> float:
    """Share of the directions that are as bright from 1.3 to 1.5 radii as on the outline; 0: none is seen.

    Beyond a pupil's edge comes the iris, or skin from where a lid is; beyond the stroke of a letter, a lash
    or a lock of hair comes the next gap. A glint on the outline hides its direction.
    """
    ceiling = out[DARK] + 1.5 * out[CONTRAST] + 3.0 * out[UNREST]
    bright, known = 0, 0
    for k in range(AROUND):
        du, dv = out[P] * COS[k] + out[Q] * SIN[k], out[Q] * COS[k] + out[S] * SIN[k]
        edge, beyond = grey_at(image, out[X] + du, out[Y] + dv), 0.0
        seen = edge < ceiling
        for step in range(3):
            far = 1.3 + 0.1 * step
            grey = grey_at(image, out[X] + far * du, out[Y] + far * dv)
            beyond, seen = beyond + grey / 3, seen and grey >= 0.0
        if seen:
            known, bright = known + 1, bright + (beyond > edge - 0.2 * out[CONTRAST])
    return bright / known if known > 0 else 0.0


@kernel
def closed(image: Image, out: Floats) -> float:
    """1 for an outline round all that is dark there, 0 where the dark goes on beyond a fifth of it.

    What covers a pupil's edge is brighter than the pupil: a lid, a reflection. Where it is just as dark
    beyond, the outline runs through something larger: the corner of a thing, the stroke of a letter. A dark
    iris may hold places as dark as its pupil, but ends on all sides at something brighter.
    """
    beyond, far = np.empty(AROUND), 2.0 * out[BLUR]
    for k in range(AROUND):
        beyond[k] = mean_beyond(image, out, k, far)
    dark, level = 0, out[DARK] + AS_DARK * out[CONTRAST]
    for k in range(AROUND):
        dark += beyond[k - 1] + beyond[k] + beyond[(k + 1) % AROUND] < 3.0 * level
    if dark <= OPEN * AROUND:
        return 1.0
    ground = out[DARK] + BEYOND_IRIS * out[CONTRAST] + 2.0 * out[UNREST]
    return ramp(dark / AROUND * (1.0 - within_iris(image, out, ground)), 0.2, OPEN)


@kernel
def mean_beyond(image: Image, out: Floats, k: int, far: float) -> float:
    """Mean of three pixels `far` px and more beyond the outline in direction k; inf outside the picture."""
    du, dv = out[P] * COS[k] + out[Q] * SIN[k], out[Q] * COS[k] + out[S] * SIN[k]
    length, total = math.sqrt(du * du + dv * dv), 0.0
    for step in range(3):
        share = 1.0 + (far + step) / length
        grey = grey_at(image, out[X] + share * du, out[Y] + share * dv)
        total += grey / 3 if grey >= 0.0 else math.inf
    return total


@kernel
def within_iris(image: Image, out: Floats, ground: float) -> float:
    """How surely an outline is in something that ends all round at what is brighter than `ground`: 0 to 1.

    1: in every direction that does not leave the picture before, which a quarter may; 0: in less than three
    quarters.
    """
    reach = IRIS_REACH * max(image.shape[0], image.shape[1])
    ends, goes_on = 0, 0
    for k in range(AROUND):
        far, grey = 2.0 * out[BLUR], 0.0
        while far < reach:
            grey = mean_beyond(image, out, k, far)
            if grey > ground:
                break
            far += 3.0
        ends, goes_on = ends + (far < reach and grey < math.inf), goes_on + (far >= reach)
        if 4 * goes_on >= AROUND:
            return 0.0
    return max(4.0 * ends / max(ends + goes_on, 0.75 * AROUND) - 3.0, 0.0)
