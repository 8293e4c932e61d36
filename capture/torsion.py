"""Rotation of the iris pattern in the picture, against one reference taken from the first good frames."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.ellipse import semi_axes
from capture.iris_align import PIECES, ROWS, UNKNOWNS, gradients
from capture.iris_match import coarsen, match, sharpen
from capture.iris_ring import (
    ANGLES,
    HALF,
    PAD,
    RINGS,
    WIDTH,
    empty_ring,
    flatten,
    limbus_px,
    radii,
    repeat_ends,
    uncover,
    unwrap,
)
from capture.pupil_checks import ERROR, FIELDS, QUALITY, SHARE
from capture.samples import NAN

CELLS_PER_DEG = ANGLES / 360.0
# A lid over the pupil hides half of the iris, with lashes and shadow on the rest: the rotation is farther off
# than the match tells, by this power of the pupil's share in view. Chosen on simulated eyes (24 usual ones of
# 160x120, 30 with drooping lids) between 1 and 4, for more answers and fewer of them more than 1 deg off.
LIDDED = -3.0


@dataclass(frozen=True, slots=True)
class TorsionSettings:
    """How the iris is read."""

    range_deg: int = 24  # largest rotation looked for: counter-rolling and positional torsion stay below 20
    reference_frames: int = 24  # averaged into the reference: its noise falls to a fifth of one frame's
    # A frame of the reference has a pupil of such quality, and so much of it in view. Once so many are in it
    # (a single picture's error grows by a sixteenth), other frames are judged by how well their iris agrees.
    least_frames: int = 8
    least_pupil_quality: float = 0.6
    least_share: float = 0.9
    least_quality: float = 0.3  # below this the rotation is withheld


class IrisReader:
    """Reads the iris' rotation in the pictures of one eye, against the average of the first good ones."""

    def __init__(self, settings: TorsionSettings = TorsionSettings()) -> None:
        self._settings = settings
        most = round(settings.range_deg * CELLS_PER_DEG)
        if most + 8 > PAD:
            raise ValueError(f"range_deg must be below {(PAD - 8) / CELLS_PER_DEG:g}")
        self._scores = np.empty(2 * (most // 2) + 1)
        self._normal, self._solving = np.empty((UNKNOWNS, UNKNOWNS)), np.empty((ROWS, UNKNOWNS))
        self._found, self._radii = np.empty(UNKNOWNS), np.empty(RINGS)
        self._coarse = np.empty((4, RINGS // 2, WIDTH // 2), np.float32)
        self._steps, self._spreads = np.zeros((RINGS, PIECES), np.float32), np.ones(RINGS)
        self._room = np.empty((2, max(ANGLES + 2 * HALF + 2, ANGLES * RINGS // 4)))
        self._ring, self._weight, self._course = empty_ring(), empty_ring(), empty_ring()
        self._reference, self._trust = empty_ring(), empty_ring()
        self._along, self._outward = empty_ring(), empty_ring()
        self._sum, self._sum_of_weights = np.zeros((RINGS, ANGLES)), np.zeros((RINGS, ANGLES))
        self._iris_px, self._first = NAN, np.zeros(3)  # where the pupil was, and the logarithm of its radius
        self._frames = 0

    def read(self, image: NDArray[np.uint8], outline: NDArray[np.float64]) -> tuple[float, float]:
        """Rotation in degrees, from image x toward image y, and its quality; (NaN, quality) when withheld."""
        settings = self._settings
        if outline.shape != (FIELDS,):
            return NAN, 0.0
        good = outline[QUALITY] >= settings.least_pupil_quality and outline[SHARE] >= settings.least_share
        unfinished = self._frames < settings.reference_frames
        if not good and self._frames < settings.least_frames:
            return NAN, 0.0
        if self._frames == 0:
            return self._begin(image, outline), 1.0
        self._read_ring(image, outline)
        major_px = semi_axes(outline[:5])[0]
        self._radii[:] = radii(self._iris_px / major_px)
        moved = np.array((outline[0], outline[1], math.log(major_px))) - self._first
        moved[:2] /= self._iris_px
        shift, error, *likenesses = match(
            self._ring, self._weight, self._reference, self._trust, self._along, self._outward, self._radii,
            major_px, outline[ERROR], moved, self._scores, self._coarse, self._room, self._steps,
            self._spreads, self._normal, self._solving, self._found,
        )  # fmt: skip
        quality = _quality(error / CELLS_PER_DEG * outline[SHARE] ** LIDDED, *likenesses)
        if quality < settings.least_quality:
            return NAN, quality
        if unfinished and good:
            self._add(shift)
        return shift / CELLS_PER_DEG, quality

    def _read_ring(self, image: NDArray[np.uint8], outline: NDArray[np.float64]) -> None:
        """Unwrap the ring of one picture, weigh out what hides it, take light and shade away."""
        unwrap(image, outline, self._iris_px, self._ring, self._course)
        uncover(outline, self._ring, self._weight, self._course, self._room[0])
        flatten(self._ring, self._weight, *self._room)

    def _begin(self, image: NDArray[np.uint8], outline: NDArray[np.float64]) -> float:
        """Take the first frame as the reference to which the next ones are laid."""
        iris_px = limbus_px(image, outline)
        # no limbus to be seen: twice the pupil, which lies on the iris for pupils up to 6 mm of 12
        major_px = semi_axes(outline[:5])[0]
        self._first[:] = outline[0], outline[1], math.log(major_px)
        self._iris_px = iris_px if iris_px == iris_px else 2.0 * major_px
        self._read_ring(image, outline)
        self._add(0.0)
        return 0.0

    def _add(self, shift: float) -> None:
        """Add the current ring, turned back by `shift` cells, to the reference."""
        places = PAD + np.arange(ANGLES) + shift
        low = np.floor(places).astype(int)
        part = places - low
        ring = self._ring[:, low] * (1 - part) + self._ring[:, low + 1] * part
        weight = np.minimum(self._weight[:, low], self._weight[:, low + 1])
        self._sum += weight * ring
        self._sum_of_weights += weight
        self._frames += 1
        middle = slice(PAD, PAD + ANGLES)
        self._trust[:, middle] = self._sum_of_weights / self._frames
        np.divide(
            self._sum, self._sum_of_weights, out=self._reference[:, middle], where=self._sum_of_weights > 0,
            casting="same_kind",
        )  # fmt: skip
        for j in range(RINGS):
            repeat_ends(self._reference[j])
            repeat_ends(self._trust[j])
        gradients(self._reference, self._along, self._outward)
        coarsen(self._reference, self._trust, *self._coarse[2:])
        sharpen(*self._coarse[2:], *self._room)


def _quality(error_deg: float, coefficient: float, typical: float, rival: float) -> float:
    """0..1, the weakest of: the error small, the pattern alike, no second place nearly as good.

    Alike also in most directions: lashes and lids' edges stay with the head and are like themselves over an
    iris without pattern, but only where they are.
    """
    if not error_deg >= 0.0:
        return 0.0
    alike = (min(coefficient, typical) - 0.3) / 0.4
    parts = ((0.5 - error_deg) / 0.4, alike, (coefficient - rival) / 0.15)
    return float(min(max(min(parts), 0.0), 1.0))
