"""How far a ring of the iris is turned against another: whole cells by correlation, then parts of a cell.

Both steps are sums over all cells without a branch in them, in single precision, so that the processor does
several cells at once.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from capture.ellipse import Floats, kernel
from capture.iris_align import TURN, align, likeness
from capture.iris_ring import ANGLES, HALF, PAD, RINGS, WIDTH, Cells, add_up, summing


@summing
def coarsen(ring: Cells, weight: Cells, small: Cells, small_weight: Cells):
    """Mean of every two neighbours along phi and outward, (RINGS / 2, WIDTH / 2), and their weight."""
    for j in range(RINGS // 2):
        for k in range(WIDTH // 2):
            total, mass = np.float32(0), np.float32(1e-9)
            for ring_j in (2 * j, 2 * j + 1):
                for cell in (2 * k, 2 * k + 1):
                    total += weight[ring_j, cell] * ring[ring_j, cell]
                    mass += weight[ring_j, cell]
            small[j, k], small_weight[j, k] = total / mass, mass


@kernel
def sharpen(small: Cells, small_weight: Cells, sums: Floats, weights: Floats):
    """Take each coarse ring's slow course away; `sums` and `weights` are room for WIDTH / 2 + 1 numbers each.

    The ring's ends keep some of it: they are farther away than the largest rotation looked for.
    """
    reach, width = HALF // 2, WIDTH // 2
    for j in range(RINGS // 2):
        add_up(small[j], small_weight[j], width, sums, weights)
        for k in range(width):
            first, end = max(k - reach, 0), min(k + reach + 1, width)
            small[j, k] -= (sums[end] - sums[first]) / (weights[end] - weights[first])


@summing
def correlate(ring: Cells, weight: Cells, reference: Cells, trust: Cells, scores: Floats):
    """Weighted correlation coefficient of coarse rings at lags of two cells, lag 0 in the middle."""
    middle = scores.size // 2
    for i in range(scores.size):
        lag = i - middle
        both, one, two = np.float32(0), np.float32(1e-9), np.float32(1e-9)
        for j in range(RINGS // 2):
            for k in range(PAD // 2, (PAD + ANGLES) // 2):
                w = weight[j, k + lag] * trust[j, k]
                a, b = ring[j, k + lag], reference[j, k]
                both += w * a * b
                one += w * a * a
                two += w * b * b
        scores[i] = both / math.sqrt(one * two)


@kernel
def find_peak(scores: Floats) -> tuple[float, float]:
    """Place of the highest peak, between lags, from the middle, and the height of the next; NaN at an end."""
    best, rival = int(np.argmax(scores)), -1.0
    for i in range(1, scores.size - 1):
        if abs(i - best) > 2 and scores[i] > scores[i - 1] and scores[i] > scores[i + 1]:
            rival = max(rival, scores[i])
    if best == 0 or best == scores.size - 1:
        return math.nan, rival
    before, here, after = scores[best - 1], scores[best], scores[best + 1]
    bend = 2.0 * here - before - after
    return best - scores.size // 2 + (0.5 * (after - before) / bend if bend > 0.0 else 0.0), rival


@kernel
def match(
    ring: Cells, weight: Cells, reference: Cells, trust: Cells, along: Cells, outward: Cells, radii: Floats,
    major_px: float, outline_px: float, moved: Floats, scores: Floats, coarse: NDArray[np.float32],
    sums: Floats, steps: Cells, spreads: Floats, normal: Floats, room: Floats, found: Floats,
) -> tuple[float, float, float, float, float]:  # fmt: skip
    """Shift of the ring in cells, its standard error, both correlations of `likeness`, the rival peak's.

    scores (n,): an odd number of lags of two cells; coarse (4, RINGS / 2, WIDTH / 2), sums (2, at least
    WIDTH / 2 + 1): room; outline_px, moved: see `hold`.
    """
    coarsen(ring, weight, coarse[0], coarse[1])
    sharpen(coarse[0], coarse[1], sums[0], sums[1])
    correlate(coarse[0], coarse[1], coarse[2], coarse[3], scores)
    start, rival = find_peak(scores)
    if start != start:
        return math.nan, math.nan, 0.0, 0.0, rival
    error = align(
        ring, weight, reference, trust, along, outward, 2.0 * start, radii, major_px, outline_px, moved,
        steps, spreads, normal, room, found,
    )  # fmt: skip
    if error != error:
        return math.nan, math.nan, 0.0, 0.0, rival
    coefficient, typical = likeness(ring, weight, reference, trust, found, sums[0])
    return found[TURN], error, coefficient, typical, rival
