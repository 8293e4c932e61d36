"""The pupil in one picture: candidates, a robust outline, a sub-pixel ellipse, and whether to believe it.

The result depends on the picture alone: a hint (where the pupil was last) only says where to look first, the
outline is followed to its fixed point, and what fails the checks is searched for in the whole picture.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.ellipse import Floats, kernel, semi_axes
from capture.pupil_checks import CLEAN, FIELDS, QUALITY, SHARE, P, S, X, Y, roughness
from capture.pupil_edge import Image
from capture.pupil_place import (
    DEEPER_QUALITY,
    SURE_QUALITY,
    UNSURE_QUALITY,
    Allowed,
    Circle,
    best_inside,
    measure,
    measure_again,
    measure_dark,
    warm_up_place,
)
from capture.pupil_search import (
    darkest_places,
    find_candidates,
    mask_glints,
    picture_unrest,
    reduce_picture,
)
from capture.samples import NO_PUPIL, Pupil

Look = Callable[[Image, Circle, Allowed, Floats], object]

STOP_QUALITY = 0.9  # of a clean outline: no other place is looked at
FAINT = 3  # best places looked at with all rays at once where single rays lead to no pupil
DARKEST = 4  # darkest places looked at where no ring leads to a pupil


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


def search(image: Image, settings: PupilSettings, allowed: Allowed, out: Floats) -> float:
    """Find the pupil in the whole picture into `out`; returns its quality, 0 when there is none."""
    out[QUALITY], first = 0.0, 0.0
    for way, (circles, look) in enumerate(_ways(image, settings)):
        if _take_best(image, circles, look, allowed, out):
            return out[QUALITY]
        if out[QUALITY] > SURE_QUALITY:
            break
        first = out[QUALITY] if way == 0 else first
    if first > DEEPER_QUALITY:
        out[QUALITY] = min(out[QUALITY], UNSURE_QUALITY)
    return out[QUALITY]


def _ways(image: Image, settings: PupilSettings) -> Iterator[tuple[list[Circle], Look]]:
    """Circles to look at, and how: likely ones, the same with all rays at once, the darkest places."""
    longer = max(image.shape)
    factor = max(1, -(-longer // settings.search_size_px))
    small = reduce_picture(image, factor)
    unrest = picture_unrest(small)
    masked, filled = mask_glints(small, 2, unrest)
    found = np.empty((settings.candidates, 4))
    smallest = max(settings.least_radius * longer / factor, 1.8)
    count = find_candidates(masked, filled, smallest, settings.most_radius * min(small.shape), unrest, found)
    rings = _circles(found[:count], factor)
    yield rings, measure
    yield rings[:FAINT], measure_dark
    yield _circles(found[: darkest_places(filled, unrest, found[:DARKEST])], factor), measure


def _circles(found: Floats, factor: int) -> list[Circle]:
    """Places (n, 4) of the reduced picture as circles in the whole one."""
    middle = 0.5 * (factor - 1)
    return [(x * factor + middle, y * factor + middle, radius * factor) for x, y, radius, _ in found.tolist()]


def _take_best(image: Image, circles: list[Circle], look: Look, allowed: Allowed, out: Floats) -> bool:
    """Keep the best outline of these places and of `out` in `out`; True: it is beyond doubt."""
    trial = np.zeros(FIELDS)
    for circle in circles:
        look(image, circle, allowed, trial)
        if best_inside(image, allowed, False, trial) > 0.0 and (out[QUALITY] == 0.0 or is_better(trial, out)):
            out[:] = trial
        if out[QUALITY] > STOP_QUALITY and roughness(out) < CLEAN:
            return True
    return False


class PupilFinder:
    """Finds the pupil in the pictures of one eye; remembers only where it was last."""

    def __init__(self, settings: PupilSettings = PupilSettings()) -> None:
        self._settings = settings
        self._found = False
        self.outline = np.zeros(FIELDS)

    def find(self, image: NDArray[np.uint8]) -> Pupil:
        """The pupil of a picture (height, width), or NO_PUPIL. `outline` then holds the numbers behind it."""
        outline = self.outline
        allowed = Allowed(self._settings.least_radius * max(image.shape), self._settings.least_aspect)
        quality = measure_again(image, allowed, outline) if self._found else 0.0
        if quality < SURE_QUALITY:
            quality = search(image, self._settings, allowed, outline)
        self._found = quality >= self._settings.accept_quality
        if not self._found:
            return NO_PUPIL
        major, minor, angle = semi_axes(outline[:5])
        share, quality = float(outline[SHARE]), float(outline[QUALITY])
        return Pupil(
            float(outline[X]), float(outline[Y]), major, minor, math.degrees(angle) % 180.0, share, quality
        )


def warm_up_rest(image: Image, outline: Floats) -> None:
    """Compile what finding a pupil seldom needs; the outline may be any that was found in the picture."""
    list(_ways(image, PupilSettings()))
    is_better(outline, outline)
    warm_up_place(image, outline)
