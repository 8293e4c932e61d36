"""Rotation of the iris pattern in the picture, against one reference taken from the first good frames.

The ring between pupil and limbus is unwrapped through the pupil's symmetric stretch S (circle -> ellipse):
a cell at angle phi and radius rho lies at c + S rho (cos phi, sin phi). If the iris goes to the picture by
M = S Rot(psi), its pattern moves along phi by psi and by nothing else, so a shift of the unwrapped ring is
the wanted rotation. Each ring loses its slow course along phi (light and shade stay with the lamp, not with
the iris) and is scaled to unit spread; cells behind glints, lids and lashes carry no weight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.ellipse import Floats, kernel, semi_axes
from capture.pupil_checks import CONTRAST, DARK, FIELDS, QUALITY, SHARE
from capture.pupil_edge import Image, grey_at, quantile
from capture.samples import NAN

ANGLES = 360
RINGS = 8


@dataclass(frozen=True, slots=True)
class TorsionSettings:
    """How the iris is read."""

    range_deg: int = 24  # largest rotation looked for: counter-rolling and positional torsion stay below 20
    reference_frames: int = 8  # averaged into the reference: noise falls to a third of one frame's
    least_pupil_quality: float = 0.6  # of the pupil that centres the ring
    least_reference_share: float = 0.9  # visible share of the pupil in frames of the reference
    least_quality: float = 0.3  # below this the rotation is withheld


@kernel
def limbus_px(image: Image, outline: Floats) -> float:
    """Radius of the iris before foreshortening: the ring with the most even rise toward the white, or NaN."""
    around, reach = 72, 64
    major, _, _ = semi_axes(outline[:5])
    profile = np.empty((around, reach))
    for k in range(around):
        u, v = math.cos(2 * math.pi * k / around), math.sin(2 * math.pi * k / around)
        for j in range(reach):
            rho = 1.2 + 0.06 * j
            profile[k, j] = grey_at(
                image,
                outline[0] + rho * (outline[2] * u + outline[3] * v),
                outline[1] + rho * (outline[3] * u + outline[4] * v),
            )
    best, place = 0.0, -1
    rises = np.empty(around)
    for j in range(4, reach - 4):
        count = 0
        for k in range(around):
            below = min(profile[k, j - 4], profile[k, j - 3])
            if below >= 0.0 and profile[k, j + 4] >= 0.0:
                rise = profile[k, j + 4] + profile[k, j + 3] - profile[k, j - 4] - profile[k, j - 3]
                rises[count] = 0.5 * rise
                count += 1
        # lids hide the limbus above and below: the upper third of the directions speaks
        strength = quantile(rises, count, 0.67) if count >= around // 2 else 0.0
        if strength > best:
            best, place = strength, j
    return (1.2 + 0.06 * place) * major if best > 0.2 * outline[CONTRAST] else math.nan


@kernel
def unwrap(image: Image, outline: Floats, iris_px: float, ring: Floats, weight: Floats):
    """Fill ring and weight (RINGS, ANGLES): grey levels; glints and what is outside the picture weigh 0."""
    major, _, _ = semi_axes(outline[:5])
    outer = iris_px / major
    ceiling = outline[DARK] + 2.5 * outline[CONTRAST]
    reach = 4
    for j in range(RINGS):
        rho = 1.0 + (outer - 1.0) * (0.15 + 0.7 * j / (RINGS - 1))
        for k in range(ANGLES):
            weight[j, k] = 1.0
        for k in range(ANGLES):
            phi = 2 * math.pi * k / ANGLES
            u, v = rho * math.cos(phi), rho * math.sin(phi)
            value = grey_at(
                image,
                outline[0] + outline[2] * u + outline[3] * v,
                outline[1] + outline[3] * u + outline[4] * v,
            )
            ring[j, k] = max(value, 0.0)
            if value < 0.0:
                weight[j, k] = 0.0
            if value > ceiling:
                for near in range(k - reach, k + reach + 1):
                    weight[j, near % ANGLES] = 0.0


@kernel
def flatten(ring: Floats, weight: Floats, half: int):
    """Take each ring's slow course along phi away (mean over 2 half + 1 cells) and scale to unit spread."""
    sums, weights = np.empty(ANGLES + 2 * half + 2), np.empty(ANGLES + 2 * half + 2)
    for j in range(ring.shape[0]):
        sums[0], weights[0] = 0.0, 0.0
        for i in range(ANGLES + 2 * half + 1):
            k = (i - half) % ANGLES
            sums[i + 1] = sums[i] + weight[j, k] * ring[j, k]
            weights[i + 1] = weights[i] + weight[j, k]
        square, total = 0.0, 0.0
        for k in range(ANGLES):
            mass = weights[k + 2 * half + 1] - weights[k]
            if mass < 0.3 * (2 * half + 1):
                weight[j, k] = 0.0
                ring[j, k] = 0.0
                continue
            ring[j, k] -= (sums[k + 2 * half + 1] - sums[k]) / mass
            square += weight[j, k] * ring[j, k] * ring[j, k]
            total += weight[j, k]
        scale = math.sqrt(total / square) if square > 0.0 else 0.0
        for k in range(ANGLES):
            # texture stronger than three spreads is a lash or a lid's edge: its weight, not its sign, is
            # limited
            ring[j, k] = min(max(ring[j, k] * scale, -3.0), 3.0) * (1.0 if weight[j, k] > 0.0 else 0.0)


@kernel
def correlate(ring: Floats, weight: Floats, reference: Floats, trust: Floats, most: int, scores: Floats):
    """Weighted correlation coefficient of ring with reference at whole-cell lags -most..most."""
    for lag in range(-most, most + 1):
        both, one, two = 0.0, 1e-9, 1e-9
        for j in range(ring.shape[0]):
            for k in range(ANGLES):
                i = k + lag
                i += ANGLES if i < 0 else (-ANGLES if i >= ANGLES else 0)
                w = weight[j, i] * trust[j, k]
                a, b = ring[j, i], reference[j, k]
                both += w * a * b
                one += w * a * a
                two += w * b * b
        scores[lag + most] = both / math.sqrt(one * two)


@kernel
def align(
    ring: Floats, weight: Floats, reference: Floats, trust: Floats, start: float
) -> tuple[float, float, float]:
    """Sub-cell shift of the ring by Gauss-Newton, with the ring's own off-centring as a nuisance.

    A ring unwrapped about a point beside the iris' centre shifts by a cos phi + b sin phi besides the
    rotation: with a lid over part of the ring that would leak into it, so a and b are fitted too (held by a
    weak pull: 1.5 cells, as a pupil one pixel off the iris' centre gives at 320 x 240). Returns shift in
    cells, its standard error, and the correlation coefficient at the end.
    """
    shift, a, b = start, 0.0, 0.0
    error, coefficient = math.nan, 0.0
    spread = 1e9
    for step in range(6):
        n00, n01, n02, n11, n12, n22, r0, r1, r2 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        both, one, two, square, total = 0.0, 1e-9, 1e-9, 0.0, 1e-9
        for j in range(ring.shape[0]):
            for k in range(ANGLES):
                w = trust[j, k]
                if w <= 0.0:
                    continue
                phi = 2 * math.pi * k / ANGLES
                c, s = math.cos(phi), math.sin(phi)
                place = k + shift + a * c + b * s
                low = math.floor(place)
                part = place - low
                i = int(low) % ANGLES
                i1, i0, i2 = (i + 1) % ANGLES, (i - 1) % ANGLES, (i + 2) % ANGLES
                w *= min(weight[j, i], weight[j, i1])
                if w <= 0.0:
                    continue
                value = ring[j, i] * (1.0 - part) + ring[j, i1] * part
                slope = 0.5 * ((ring[j, i1] - ring[j, i0]) * (1.0 - part) + (ring[j, i2] - ring[j, i]) * part)
                d = reference[j, k] - value
                z = d / (3.0 * spread)
                if z * z >= 1.0:
                    continue
                w *= (1.0 - z * z) ** 2
                both, one, two = (
                    both + w * value * reference[j, k],
                    one + w * value**2,
                    two + w * reference[j, k] ** 2,
                )
                square, total = square + w * d * d, total + w
                g = w * slope
                n00, n01, n02 = n00 + g * slope, n01 + g * slope * c, n02 + g * slope * s
                n11, n12, n22 = n11 + g * slope * c * c, n12 + g * slope * c * s, n22 + g * slope * s * s
                r0, r1, r2 = r0 + g * d, r1 + g * d * c, r2 + g * d * s
        spread = math.sqrt(square / total)
        pull = spread * spread / (1.5 * 1.5) + 1e-9
        n11, n22, r1, r2 = n11 + pull, n22 + pull, r1 - pull * a, r2 - pull * b
        d0 = n11 * n22 - n12 * n12
        det = n00 * d0 - n01 * (n01 * n22 - n12 * n02) + n02 * (n01 * n12 - n11 * n02)
        if not det > 1e-9:
            return math.nan, math.nan, 0.0
        move = (r0 * d0 - n01 * (r1 * n22 - n12 * r2) + n02 * (r1 * n12 - n11 * r2)) / det
        rest1, rest2 = r1 - n01 * move, r2 - n02 * move
        shift += move
        a += (rest1 * n22 - rest2 * n12) / d0
        b += (n11 * rest2 - n12 * rest1) / d0
        # neighbouring cells share pixels and blur: a third of them counts as independent
        error = math.sqrt(3.0 * spread * spread * d0 / det)
        coefficient = both / math.sqrt(one * two)
        if step > 1 and abs(move) < 1e-3:
            break
    return shift, error, coefficient


@kernel
def match(
    ring: Floats, weight: Floats, reference: Floats, trust: Floats, most: int, scores: Floats
) -> tuple[float, float, float, float]:
    """Shift of the ring in cells, its standard error, the correlation and the greatest rival peak's."""
    correlate(ring, weight, reference, trust, most, scores)
    best = int(np.argmax(scores))
    rival = -1.0
    for i in range(1, scores.size - 1):
        if abs(i - best) > 5 and scores[i] > scores[i - 1] and scores[i] > scores[i + 1]:
            rival = max(rival, scores[i])
    if best == 0 or best == scores.size - 1:
        return math.nan, math.nan, 0.0, rival
    shift, error, coefficient = align(ring, weight, reference, trust, float(best - most))
    return shift, error, coefficient, rival


class IrisReader:
    """Reads the iris' rotation in the pictures of one eye, against the average of the first good ones."""

    def __init__(self, settings: TorsionSettings = TorsionSettings()) -> None:
        self._settings = settings
        self._cells_per_deg = ANGLES / 360.0
        self._most = round(settings.range_deg * self._cells_per_deg)
        self._scores = np.empty(2 * self._most + 1)
        self._ring, self._weight = np.empty((RINGS, ANGLES)), np.empty((RINGS, ANGLES))
        self._sum, self._trust = np.zeros((RINGS, ANGLES)), np.zeros((RINGS, ANGLES))
        self._reference = np.zeros((RINGS, ANGLES))
        self._iris_px = NAN
        self._frames = 0

    def read(self, image: NDArray[np.uint8], outline: NDArray[np.float64]) -> tuple[float, float]:
        """Rotation in degrees, from image x toward image y, and its quality; (NaN, quality) when withheld."""
        settings = self._settings
        if outline.shape != (FIELDS,) or not outline[QUALITY] >= settings.least_pupil_quality:
            return NAN, 0.0
        building = self._frames < settings.reference_frames
        fit_for_reference = outline[SHARE] >= settings.least_reference_share
        if self._frames == 0:
            return (self._begin(image, outline), 1.0) if fit_for_reference else (NAN, 0.0)
        unwrap(image, outline, self._iris_px, self._ring, self._weight)
        flatten(self._ring, self._weight, ANGLES // 16)
        shift, error, coefficient, rival = match(
            self._ring, self._weight, self._reference, self._trust, self._most, self._scores
        )
        quality = _quality(error / self._cells_per_deg, coefficient, rival)
        if quality < settings.least_quality:
            return NAN, quality
        if building and fit_for_reference:
            self._add(shift)
        return shift / self._cells_per_deg, quality

    def _begin(self, image: NDArray[np.uint8], outline: NDArray[np.float64]) -> float:
        """Take the first frame as the reference to which the next ones are laid."""
        iris_px = limbus_px(image, outline)
        # no limbus to be seen: twice the pupil, which lies on the iris for pupils up to 6 mm of 12
        self._iris_px = iris_px if iris_px == iris_px else 2.0 * semi_axes(outline[:5])[0]
        unwrap(image, outline, self._iris_px, self._ring, self._weight)
        flatten(self._ring, self._weight, ANGLES // 16)
        self._add(0.0)
        return 0.0

    def _add(self, shift: float) -> None:
        """Add the current ring, turned back by `shift` cells, to the reference."""
        places = np.arange(ANGLES) + shift
        low = np.floor(places).astype(int)
        part = places - low
        first, second = low % ANGLES, (low + 1) % ANGLES
        ring = self._ring[:, first] * (1 - part) + self._ring[:, second] * part
        weight = np.minimum(self._weight[:, first], self._weight[:, second])
        self._sum += weight * ring
        self._trust += weight
        self._frames += 1
        np.divide(self._sum, self._trust, out=self._reference, where=self._trust > 0)


def _quality(error_deg: float, coefficient: float, rival: float) -> float:
    """0..1, the weakest of: the error small, the pattern alike, no second place nearly as good."""
    if not error_deg >= 0.0:
        return 0.0
    parts = ((0.5 - error_deg) / 0.4, (coefficient - 0.3) / 0.4, (coefficient - rival) / 0.15)
    return float(min(max(min(parts), 0.0), 1.0))
