"""How far a ring of the iris is turned against another: whole cells by correlation, then parts of a cell.

Both steps are sums over all cells without a branch in them, in single precision, so that the processor does
several cells at once.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from capture.ellipse import Floats, kernel
from capture.iris_ring import ANGLES, COS32, PAD, RINGS, SIN32, WIDTH, Cells, summing

# OFF_CENTRE and CUT were chosen on 48 simulated eyes of 320x240 and 160x120, with glints, lids and JPEG.
OFF_CENTRE = 0.35  # cells by which a pupil measured beside its centre shifts the ring, one standard deviation
LOOKS = 6  # steps of Gauss-Newton at most
TERMS = 13  # sums of one look
(N00, N01, N02, N11, N12, N22, R0, R1, R2, BOTH, ONE, TWO, TOTAL) = range(TERMS)
PIECE = 40  # cells of a ring that share one difference in brightness: about as wide as its slow course
PIECES = ANGLES // PIECE
CUT = 4.5  # spreads from which a difference tells nothing
LEAST_SPREAD = 0.05  # of the difference of two rings, whose own spread is 1


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


@summing
def look(
    ring: Cells, weight: Cells, reference: Cells, trust: Cells, shift: float, a: float, b: float, cut: float,
    steps: Cells, spreads: Floats, sums: Floats,
):  # fmt: skip
    """Sums of the normal equations for (shift, a, b), robust beyond a difference of `cut` spreads.

    Each ring counts by how well it agrees: `spreads` (RINGS,) are those of its differences.

    Each piece of each ring may be brighter than the reference's, by `steps` (RINGS, PIECES), which is solved
    for besides. What hides the iris stays with the head: without these steps its edges, over which the slow
    course of a ring was averaged, would hold the iris back.
    """
    zero = np.float32(0)
    sums[:] = 0.0
    move, side, up = np.float32(shift), np.float32(a), np.float32(b)
    half, unit, least = np.float32(0.5), np.float32(1), np.float32(1e-6)
    for j in range(RINGS):
        per_cut, counts = np.float32(1.0 / (cut * spreads[j])), 1.0 / spreads[j] ** 2
        squares, totals = 0.0, 1e-6
        for piece in range(PIECES):
            n00, n01, n02, n11, n12, n22, r0, r1, r2 = zero, zero, zero, zero, zero, zero, zero, zero, zero
            both, one, two, square, plain, value_sum, target_sum = zero, zero, zero, zero, least, zero, zero
            total, off_sum, g0, g1, g2 = least, zero, zero, zero, zero
            step = steps[j, piece]
            first = PAD + piece * PIECE
            for k in range(first, first + PIECE):
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
                z = unit - ((d - step) * per_cut) ** 2
                z = z if z > zero else zero
                w = trust[j, k] * min(weight[j, i], weight[j, i + 1])
                # how alike they are is asked of all cells: the robust ones alone always look alike
                both, one, two = both + w * value * target, one + w * value * value, two + w * target * target
                plain, value_sum, target_sum = plain + w, value_sum + w * value, target_sum + w * target
                w *= z * z
                square, total, off_sum = square + w * d * d, total + w, off_sum + w * d
                g = w * slope
                gs, gc, gu = g * slope, g * c, g * s
                g0, g1, g2 = g0 + g, g1 + gc, g2 + gu
                n00, n01, n02 = n00 + gs, n01 + gs * c, n02 + gs * s
                n11, n12, n22 = n11 + gs * c * c, n12 + gs * c * s, n22 + gs * s * s
                r0, r1, r2 = r0 + g * d, r1 + gc * d, r2 + gu * d
            step = off_sum / total
            steps[j, piece] = step
            sums[N00] += counts * (n00 - g0 * g0 / total)
            sums[N01] += counts * (n01 - g0 * g1 / total)
            sums[N02] += counts * (n02 - g0 * g2 / total)
            sums[N11] += counts * (n11 - g1 * g1 / total)
            sums[N12] += counts * (n12 - g1 * g2 / total)
            sums[N22] += counts * (n22 - g2 * g2 / total)
            sums[R0] += counts * (r0 - g0 * step)
            sums[R1] += counts * (r1 - g1 * step)
            sums[R2] += counts * (r2 - g2 * step)
            sums[BOTH] += both - value_sum * target_sum / plain
            sums[ONE] += one - value_sum * value_sum / plain
            sums[TWO] += two - target_sum * target_sum / plain
            squares, totals = squares + square - off_sum * step, totals + total
        spreads[j] = max(math.sqrt(squares / totals), LEAST_SPREAD)
        sums[TOTAL] += totals


@kernel
def align(
    ring: Cells, weight: Cells, reference: Cells, trust: Cells, start: float, steps: Cells, spreads: Floats,
    sums: Floats,
) -> tuple[float, float, float]:  # fmt: skip
    """Sub-cell shift of the ring by Gauss-Newton, with the ring's own off-centring as a nuisance.

    A ring unwrapped about a point beside the iris' centre shifts by a cos phi + b sin phi besides the
    rotation: with a lid over part of the ring that would leak into it, so a and b are fitted too (held by a
    pull). Returns shift in cells, its standard error as if each cell erred by itself, and the correlation
    coefficient at the end.
    """
    shift, a, b = start, 0.0, 0.0
    error, coefficient = math.nan, 0.0
    steps[:] = 0.0
    spreads[:] = 1.0
    pull = 1.0 / OFF_CENTRE**2
    for step in range(LOOKS):
        cut = CUT if step else 1e9
        look(ring, weight, reference, trust, shift, a, b, cut, steps, spreads, sums)
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
        error = math.sqrt(d0 / det)
        coefficient = sums[BOTH] / math.sqrt(sums[ONE] * sums[TWO] + 1e-18)
        if abs(shift - start) + abs(a) + abs(b) > 4.0:  # not this peak
            return math.nan, math.nan, 0.0
        if step > 1 and abs(move) < 3e-3:
            break
    return shift, error, coefficient


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
    ring: Cells, weight: Cells, reference: Cells, trust: Cells, scores: Floats, coarse: NDArray[np.float32],
    steps: Cells, spreads: Floats, sums: Floats,
) -> tuple[float, float, float, float]:  # fmt: skip
    """Shift of the ring in cells, its error (see `align`), the correlation and the greatest rival peak's.

    scores (n,): an odd number of lags of two cells; coarse (4, RINGS / 2, WIDTH / 2): room.
    """
    coarsen(ring, weight, coarse[0], coarse[1])
    coarsen(reference, trust, coarse[2], coarse[3])
    correlate(coarse[0], coarse[1], coarse[2], coarse[3], scores)
    start, rival = find_peak(scores)
    if start != start:
        return math.nan, math.nan, 0.0, rival
    shift, error, coefficient = align(ring, weight, reference, trust, 2.0 * start, steps, spreads, sums)
    return shift, error, coefficient, rival
