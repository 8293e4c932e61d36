"""The reflection of one lamp of the goggles on the cornea, followed through the pictures of one eye.

Which lamp made a reflection is told by the pattern of all lamps: it keeps its shape while the eye turns and
the goggles slip.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from capture.ellipse import Floats, kernel
from capture.glints_search import MOST, RAYS, REACH, find_glints
from capture.pupil_checks import X, Y
from capture.pupil_edge import Image
from capture.samples import NAN

# Of the pupil's way in the picture a reflection moves: the centre of the cornea lies 5 to 6 mm, the pupil
# 10 to 12 mm in front of the centre of rotation (clinical.md 3.4).
FOLLOWS = 0.5
LAMPS = 8  # places of the pattern
LEARNING = 0.03  # share of a frame in what is known of the lamps
KNOWN = 0.35  # seen in this share of the frames: a lamp; reached after 15 frames in a row
FORGETTING = 0.001  # same for a lamp that is known: looking aside for seconds hides one
FORGOTTEN = 0.05
SIZE_LEARNING = 0.004  # same for the size of a reflection
SIZE_ERROR = 0.25  # of its radius, and half a pixel: a reflection of another size is merged or half hidden
PATTERN_SHIFT = 0.04  # of the longer side: how far a slip of 2 mm and the gaze shift the whole pattern
PATTERN_ERROR = 0.012  # same: how far a reflection may lie from its place in the pattern


class Glint(NamedTuple):
    """The reflection of the lamp that is followed, and how many were seen."""

    x_px: float
    y_px: float
    seen: float


NO_GLINT = Glint(NAN, NAN, NAN)


@kernel
def match_pattern(places: Floats, count: int, lamps: Floats, longer: float, lamp_of: NDArray[np.int64]):
    """Say into `lamp_of` which lamp (or -1) each of the first `count` places (n, 2) belongs to.

    The pattern `lamps` (LAMPS, 4: x, y, how surely it is there, radius) may be shifted as a whole: the shift
    that explains most of what is seen counts, and of equals the smallest.
    """
    best, best_x, best_y = 0.0, 0.0, 0.0
    error, most = PATTERN_ERROR * longer, PATTERN_SHIFT * longer
    for i in range(count):
        for j in range(LAMPS):
            dx, dy = places[i, 0] - lamps[j, 0], places[i, 1] - lamps[j, 1]
            if lamps[j, 2] < FORGOTTEN or math.hypot(dx, dy) > most:
                continue
            score = -0.5 * math.hypot(dx, dy) / most
            for m in range(count):
                nearest = _nearest(places[m, 0] - dx, places[m, 1] - dy, lamps, error)
                score += lamps[nearest, 2] if nearest >= 0 else 0.0
            if score + 1.0 > best:
                best, best_x, best_y = score + 1.0, dx, dy
    for m in range(count):
        lamp_of[m] = _nearest(places[m, 0] - best_x, places[m, 1] - best_y, lamps, error)


@kernel
def _nearest(x: float, y: float, lamps: Floats, within: float) -> int:
    """Number of the lamp nearest to a place, -1 where none is `within`."""
    nearest = -1
    for j in range(LAMPS):
        apart = math.hypot(x - lamps[j, 0], y - lamps[j, 1])
        if lamps[j, 2] >= FORGOTTEN and apart < within:
            nearest, within = j, apart
    return nearest


@kernel
def learn_pattern(places: Floats, found: Floats, count: int, lamp_of: NDArray[np.int64], lamps: Floats):
    """Let what was seen change what is known of the lamps; what fits none may be a new one."""
    for j in range(LAMPS):
        lamps[j, 2] *= 1.0 - (FORGETTING if lamps[j, 2] > KNOWN else LEARNING)
    for m in range(count):
        j = lamp_of[m]
        if j < 0:
            j = int(np.argmin(lamps[:, 2]))
            lamps[j, 0], lamps[j, 1], lamps[j, 2] = places[m, 0], places[m, 1], FORGOTTEN
            lamps[j, 3] = found[m, 2]
        lamps[j, 0] += LEARNING * (places[m, 0] - lamps[j, 0])
        lamps[j, 1] += LEARNING * (places[m, 1] - lamps[j, 1])
        lamps[j, 2] = min(lamps[j, 2] + LEARNING, 1.0)
        lamps[j, 3] += SIZE_LEARNING * (found[m, 2] - lamps[j, 3])


@kernel
def read_glints(
    image: Image, outline: Floats, profile: Floats, found: Floats, lamps: Floats, lamp_of: NDArray[np.int64]
) -> int:
    """Find the reflections, tell the lamps, learn; returns how many there are."""
    count = find_glints(image, outline, profile, found)
    places = np.empty((MOST, 2))
    for m in range(count):
        places[m, 0] = found[m, 0] - FOLLOWS * outline[X]
        places[m, 1] = found[m, 1] - FOLLOWS * outline[Y]
    match_pattern(places, count, lamps, float(max(image.shape)), lamp_of)
    learn_pattern(places, found, count, lamp_of, lamps)
    return count


class GlintReader:
    """Reads the reflections in the pictures of one eye; remembers the pattern of the lamps."""

    def __init__(self) -> None:
        self._found, self._profile = np.zeros((MOST, 4)), np.zeros((RAYS, 4))
        self._lamps, self._lamp_of = np.zeros((LAMPS, 4)), np.full(MOST, -1, np.int64)
        self._followed = -1

    def read(self, image: NDArray[np.uint8], outline: Floats) -> Glint:
        """The reflection of the followed lamp, NaN where it is not seen or the lamps are not known yet.

        `image` (height, width) and the pupil's `outline` (pupil_checks.FIELDS) in it.
        """
        size = int(REACH * max(image.shape)) + 6
        if self._profile.shape[1] != size:
            self._profile = np.zeros((RAYS, size))
        count = read_glints(image, outline, self._profile, self._found, self._lamps, self._lamp_of)
        self._choose()
        for m in range(count):
            if self._lamp_of[m] == self._followed >= 0:
                radius = float(self._lamps[self._followed, 3])
                if abs(self._found[m, 2] - radius) > SIZE_ERROR * radius + 0.5:
                    break
                return Glint(float(self._found[m, 0]), float(self._found[m, 1]), float(count))
        return Glint(NAN, NAN, float(count))

    def _choose(self) -> None:
        """Follow the lamp that is seen most, and stay with it until it is gone for good."""
        if self._followed >= 0 and self._lamps[self._followed, 2] > FORGOTTEN:
            return
        surest = int(np.argmax(self._lamps[:, 2]))
        self._followed = surest if self._lamps[surest, 2] > KNOWN else -1
