"""How far a ring of the iris is turned against another: whole cells by correlation, then parts of a cell.

Both steps are sums over all cells without a branch in them, in single precision, so that the processor does
several cells at once.
"""

from __future__ import annotations

import math

import numpy as np

from capture.ellipse import Floats, kernel
from capture.iris_ring import ANGLES, COS32, PAD, RINGS, SIN32, Cells, summing

OFF_CENTRE = 1.5  # cells; how far a pupil one pixel off the iris' centre shifts the ring at 320 x 240
LOOKS = 6  # steps of Gauss-Newton at most
TERMS = 14  # sums of one look
(N00, N01, N02, N11, N12, N22, R0, R1, R2, BOTH, ONE, TWO, SQUARE, TOTAL) = range(TERMS)


@summing
def correlate(ring: Cells, weight: Cells, reference: Cells, trust: Cells, most: int, scores: Floats):
    """Weighted correlation coefficient of ring with reference at whole-cell lags -most..most."""
    for lag in range(-most, most + 1):
        both, one, two = np.float32(0), np.float32(1e-9), np.float32(1e-9)
        for j in range(RINGS):
            for k in range(PAD, PAD + ANGLES):
                w = weight[j, k + lag] * trust[j, k]
                a, b = ring[j, k + lag], reference[j, k]
                both += w * a * b
                one += w * a * a
                two += w * b * b
        scores[lag + most] = both / math.sqrt(one * two)


@summing
def look(
    ring: Cells, weight: Cells, reference: Cells, trust: Cells, shift: float, a: float, b: float, cut: float,
    sums: Floats,
):  # fmt: skip
    """Sums of the normal equations for (shift, a, b), robust beyond a difference of `cut`."""
    zero = np.float32(0)
    n00, n01, n02, n11, n12, n22, r0, r1, r2 = zero, zero, zero, zero, zero, zero, zero, zero, zero
    both, one, two, square, total = zero, zero, zero, zero, zero
    move, side, up, per_cut = np.float32(shift), np.float32(a), np.float32(b), np.float32(1 / cut)
    half, unit = np.float32(0.5), np.float32(1)
    for j in range(RINGS):
        for k in range(PAD, PAD + ANGLES):
            c, s = COS32[k], SIN32[k]
            off = move + side * c + up * s
            low = np.floor(off)
            part = off - low
            i = k + np.int32(low)
            before, here, after, beyond = ring[j, i - 1], ring[j, i], ring[j, i + 1], ring[j, i + 2]
            value = here + part * (after - here)
            slope = half * ((after - before) * (unit - part) + (beyond - here) * part)
            target = reference[j, k]
            d = target - value
            z = unit - (d * per_cut) ** 2
            z = z if z > zero else zero
            w = trust[j, k] * min(weight[j, i], weight[j, i + 1])
            # how alike they are is asked of all cells: the robust ones alone always look alike
            both, one, two = both + w * value * target, one + w * value * value, two + w * target * target
            w *= z * z
            square, total = square + w * d * d, total + w
            g = w * slope
            gs = g * slope
            n00, n01, n02 = n00 + gs, n01 + gs * c, n02 + gs * s
            n11, n12, n22 = n11 + gs * c * c, n12 + gs * c * s, n22 + gs * s * s
            r0, r1, r2 = r0 + g * d, r1 + g * d * c, r2 + g * d * s
    sums[N00], sums[N01], sums[N02], sums[N11], sums[N12], sums[N22] = n00, n01, n02, n11, n12, n22
    sums[R0], sums[R1], sums[R2], sums[BOTH], sums[ONE], sums[TWO] = r0, r1, r2, both, one, two
    sums[SQUARE], sums[TOTAL] = square, total


@kernel
def align(
    ring: Cells, weight: Cells, reference: Cells, trust: Cells, start: float, sums: Floats
) -> tuple[float, float, float]:
    """Sub-cell shift of the ring by Gauss-Newton, with the ring's own off-centring as a nuisance.

    A ring unwrapped about a point beside the iris' centre shifts by a cos phi + b sin phi besides the
    rotation: with a lid over part of the ring that would leak into it, so a and b are fitted too (held by a
    weak pull). Returns shift in cells, its standard error, and the correlation coefficient at the end.
    """
    shift, a, b = start, 0.0, 0.0
    error, coefficient, spread = math.nan, 0.0, 1e9
    for step in range(LOOKS):
        look(ring, weight, reference, trust, shift, a, b, 3.0 * spread, sums)
        spread = math.sqrt(sums[SQUARE] / (sums[TOTAL] + 1e-9))
        pull = spread * spread / OFF_CENTRE**2 + 1e-9
        n00, n01, n02, n12 = sums[N00], sums[N01], sums[N02], sums[N12]
        n11, n22, r0 = sums[N11] + pull, sums[N22] + pull, sums[R0]
        r1, r2 = sums[R1] - pull * a, sums[R2] - pull * b
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
        coefficient = sums[BOTH] / math.sqrt(sums[ONE] * sums[TWO] + 1e-18)
        if abs(shift - start) + abs(a) + abs(b) > 4.0:  # not this peak
            return math.nan, math.nan, 0.0
        if step > 1 and abs(move) < 1e-3:
            break
    return shift, error, coefficient


@kernel
def match(
    ring: Cells, weight: Cells, reference: Cells, trust: Cells, most: int, scores: Floats, sums: Floats
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
    shift, error, coefficient = align(ring, weight, reference, trust, float(best - most), sums)
    return shift, error, coefficient, rival
