"""How far a ring of the iris is turned against the reference, to a small part of a cell.

Least squares over all cells (Gauss-Newton) with the gradient of the reference, which hardly has noise: the
gradient of the one picture would let its noise count twice. Besides the turn, what an inexact pupil does to
the ring is solved for, each held by how inexact a pupil may be: the ring's centre, shape and size are off by
parts of a pixel, and beside the camera's axis cornea and perspective bend the ring. How much they bend it
goes with the gaze and is hardly left to the fit.

Displacements are in cells, as wide as they are at the pupil's edge; radii are in pupils.
"""

from __future__ import annotations

import math

import numpy as np

from capture.ellipse import Floats, kernel
from capture.iris_ring import (
    ANGLES,
    COS32,
    COS_TWICE32,
    PAD,
    RINGS,
    SIN32,
    SIN_TWICE32,
    Cells,
    summing,
)
from capture.pupil_edge import quantile

CELL = 2.0 * math.pi / ANGLES  # rad
# ALIKE_PX, CUT and PIECE were chosen on simulated eyes of 320x240 and 160x120, with glints, lids and JPEG.
# What the pupil's centre, shape and size are off by beside their stated error, one standard deviation, and
# the most that is allowed for: under a lid a pupil is farther off, but there the lid would be followed.
# Chosen on 45 simulated eyes of both sizes and 32 with drooping lids; s07 and s11 were looked at.
OUTLINE_PX, MOST_OUTLINE_PX = 0.03, 0.12
# Cells by which the middle ring is bent for a move of the pupil by the iris' radius, and how far it may be
# from that, one standard deviation: near the reference, and more for such a move. Seen on 26 simulated eyes
# of 320x240: -1.0 and -1.2 across and down. The freedom was chosen on 16 others, for little error to 15 deg.
BEND, BENT, BENT_MORE = -1.1, 0.02, 0.08
# The same for a pupil e times as wide as in the reference: its centre moves by some 0.025 mm for each mm
# against the limbus (Yang et al. 2002, see `draw_eye`), so by 0.1 mm for a pupil of 4 mm, half of which shows
# at the middle ring, 4.4 mm out. Not chosen on pictures.
BENT_WIDER = 0.7
# Cells of a ring within so many px err alike (shared pixels, what hides the iris): the error found is stated.
ALIKE_PX = 4.5
CUT = 4.5  # spreads from which a difference tells nothing
LEAST_SPREAD = 0.05  # of the difference of two rings, whose own spread is 1
LOOKS = 5  # steps of Gauss-Newton at most
# Cells of a ring that share one difference in brightness: less than its slow course is long. They count as
# lying in one direction when it is asked what moves them.
PIECE = 24
PIECES = ANGLES // PIECE
LEAST_SEEN = 1.0  # cells; a piece with less to see tells nothing
STILL = 0.012  # cells; a smaller move is the last
FARTHEST_CELLS = 7.0  # from where the correlation has its peak; 8 are left beside the largest rotation
# what is solved for: the ring's centre, stretch, shear, size and bend, and last the turn
X, Y, STRETCH, SHEAR, SIZE, BEND_X, BEND_Y, TURN, UNKNOWNS = range(9)
# rows of the room: what moves a piece along phi, outward, and in all; right side of the equations; the move
ALONG, OUTWARD, MOVED, RIGHT, MOVE, ROWS = range(6)


@kernel
def gradients(reference: Cells, along: Cells, outward: Cells):
    """Change of the reference from cell to cell along phi, and from ring to ring."""
    for j in range(RINGS):
        inner, outer = max(j - 1, 0), min(j + 1, RINGS - 1)
        for k in range(PAD, PAD + ANGLES):
            along[j, k] = 0.5 * (reference[j, k + 1] - reference[j, k - 1])
            outward[j, k] = (reference[outer, k] - reference[inner, k]) / (outer - inner)


@summing
def sum_piece(
    ring: Cells, weight: Cells, reference: Cells, trust: Cells, along: Cells, outward: Cells, j: int,
    first: int, found: Floats, radius: float, middle: float, spacing: float, step: float, per_cut: float,
):  # fmt: skip
    """Robust sums over a piece of ring `j`: w, w a, w b, w a a, w a b, w b b, w d, w a d, w b d, w d d.

    w are the weights, a and b the reference's gradients along phi and outward, d its difference from the ring
    where the cells lie as `found`, less `step`.
    """
    zero, unit = np.float32(0), np.float32(1)
    bend, out = radius / middle, CELL / spacing
    turn, size = np.float32(found[TURN]), np.float32(out * radius * found[SIZE])
    turn_c = np.float32(found[Y] / radius + found[BEND_Y] * bend)
    turn_s = np.float32(-found[X] / radius - found[BEND_X] * bend)
    stretch, shear = np.float32(found[STRETCH]), np.float32(found[SHEAR])
    out_c, out_s, out_2 = np.float32(out * found[X]), np.float32(out * found[Y]), np.float32(out * radius)
    usual, narrow = np.float32(step), np.float32(per_cut)
    one, wa, wb, waa, wab = np.float32(1e-6), zero, zero, zero, zero
    wbb, wd, wad, wbd, wdd = zero, zero, zero, zero, zero
    # rows from the first cell on, and indices without a sign: no loop has to ask which end they count from
    cos, sin, cos_twice, sin_twice = COS32[first:], SIN32[first:], COS_TWICE32[first:], SIN_TWICE32[first:]
    like, trusted, gradient, gradient_out = (
        reference[j, first:], trust[j, first:], along[j, first:], outward[j, first:]
    )  # fmt: skip
    places, weights, next_one = ring[j], weight[j], np.uint32(1)
    for k in range(PIECE):
        c, s, c2, s2 = cos[k], sin[k], cos_twice[k], sin_twice[k]
        off = turn + turn_c * c + turn_s * s - stretch * s2 + shear * c2
        away = out_c * c + out_s * s + out_2 * (stretch * c2 + shear * s2) + size
        low = np.floor(off)
        part = off - low
        i = np.uint32(first + k + np.int32(low))
        here, after = places[i], places[i + next_one]
        a, b = gradient[k], gradient_out[k]
        d = like[k] - away * b - here - part * (after - here) - usual
        z = max(unit - (d * narrow) ** 2, zero)
        w = trusted[k] * min(weights[i], weights[i + next_one]) * z * z
        one, wa, wb, wd = one + w, wa + w * a, wb + w * b, wd + w * d
        waa, wab, wbb = waa + w * a * a, wab + w * a * b, wbb + w * b * b
        wad, wbd, wdd = wad + w * a * d, wbd + w * b * d, wdd + w * d * d
    return one, wa, wb, waa, wab, wbb, wd, wad, wbd, wdd


@kernel
def what_moves(k: int, radius: float, middle: float, spacing: float, room: Floats):
    """How each unknown moves the cells around `k` along phi (in cells) and outward (in rings)."""
    c, s, c2, s2 = COS32[k], SIN32[k], COS_TWICE32[k], SIN_TWICE32[k]
    along, outward, out, bend = room[ALONG], room[OUTWARD], CELL / spacing, radius / middle
    along[X], along[Y], outward[X], outward[Y] = -s / radius, c / radius, out * c, out * s
    along[STRETCH], along[SHEAR], along[SIZE] = -s2, c2, 0.0
    outward[STRETCH], outward[SHEAR], outward[SIZE] = out * radius * c2, out * radius * s2, out * radius
    along[BEND_X], along[BEND_Y], along[TURN] = -s * bend, c * bend, 1.0
    outward[BEND_X], outward[BEND_Y], outward[TURN] = 0.0, 0.0, 0.0


@kernel
def look(
    ring: Cells, weight: Cells, reference: Cells, trust: Cells, along: Cells, outward: Cells, found: Floats,
    radii: Floats, major_px: float, cut: float, steps: Cells, spreads: Floats, normal: Floats, room: Floats,
):  # fmt: skip
    """Normal equations for a move of what was `found`, robust beyond a difference of `cut` spreads.

    Each ring counts by its length and by how well it agrees: `spreads` (RINGS,) are those of its differences.
    A piece that agrees worse than its ring, as where a lid was taken for iris, counts by its own spread.
    Each piece of each ring may be brighter than the reference's, by `steps` (RINGS, PIECES), which is solved
    for besides: light and shade stay with the head and would hold the iris back. `normal` is filled below its
    diagonal only.
    """
    right, a_moved, b_moved, moved = room[RIGHT], room[ALONG], room[OUTWARD], room[MOVED]
    normal[:], right[:] = 0.0, 0.0
    middle, spacing = radii.mean(), radii[1] - radii[0]
    for j in range(RINGS):
        length = CELL * radii[j] * major_px / ALIKE_PX
        per_cut, squares, totals = 1.0 / (cut * spreads[j]), 0.0, 1e-6
        for piece in range(PIECES):
            first = PAD + piece * PIECE
            one, wa, wb, waa, wab, wbb, wd, wad, wbd, wdd = sum_piece(
                ring, weight, reference, trust, along, outward, j, first, found, radii[j], middle, spacing,
                steps[j, piece], per_cut,
            )  # fmt: skip
            if one < LEAST_SEEN:
                continue
            square = max(wdd - wd * wd / one, 0.0)
            counts = length / max(square / one, spreads[j] ** 2)
            what_moves(first + PIECE // 2, radii[j], middle, spacing, room)
            for u in range(UNKNOWNS):
                moved[u] = a_moved[u] * wa + b_moved[u] * wb
                p, q, share = counts * a_moved[u], counts * b_moved[u], counts * moved[u] / one
                right[u] += p * wad + q * wbd - share * wd
                with_a, with_b = p * waa + q * wab, p * wab + q * wbb
                for v in range(u + 1):
                    normal[u, v] += with_a * a_moved[v] + with_b * b_moved[v] - share * moved[v]
            steps[j, piece] += wd / one
            squares, totals = squares + square, totals + one
        spreads[j] = max(math.sqrt(squares / totals), LEAST_SPREAD)


@kernel
def hold(
    major_px: float, outline_px: float, moved: Floats, found: Floats, normal: Floats, right: Floats
):  # fmt: skip
    """An inexact pupil is not more inexact than pupils are, and a bend goes with the gaze.

    outline_px: the outline's stated error; moved (3,): from where the pupil was in the reference, in radii of
    the iris, and the logarithm of how much wider it is.
    """
    inexact_px = min(math.hypot(OUTLINE_PX, outline_px), MOST_OUTLINE_PX)
    bent = BENT + BENT_MORE * math.hypot(moved[0], moved[1]) + BENT_WIDER * abs(moved[2])
    for u in range(TURN):
        usual, expected = inexact_px / (major_px * CELL), 0.0
        if u in (BEND_X, BEND_Y):
            usual, expected = bent, BEND * moved[u - BEND_X]
        normal[u, u] += 1.0 / usual**2
        right[u] += (expected - found[u]) / usual**2


@kernel
def solve(normal: Floats, right: Floats, move: Floats) -> float:
    """Solve for the move (Cholesky); the standard error of the last unknown, NaN where nothing tells it."""
    for i in range(UNKNOWNS):
        for j in range(i + 1):
            total = normal[i, j]
            for k in range(j):
                total -= normal[i, k] * normal[j, k]
            if i > j:
                normal[i, j] = total / normal[j, j]
            elif total <= 1e-9:
                return math.nan
            else:
                normal[i, i] = math.sqrt(total)
    for i in range(UNKNOWNS):
        total = right[i]
        for k in range(i):
            total -= normal[i, k] * move[k]
        move[i] = total / normal[i, i]
    for i in range(UNKNOWNS - 1, -1, -1):
        total = move[i]
        for k in range(i + 1, UNKNOWNS):
            total -= normal[k, i] * move[k]
        move[i] = total / normal[i, i]
    return 1.0 / normal[TURN, TURN]


@kernel
def farthest(found: Floats, start: float) -> float:
    """How far a cell may lie along phi from where it lay at the start: at most so many cells."""
    total = abs(found[TURN] - start) + 2.0 * (abs(found[BEND_X]) + abs(found[BEND_Y]))
    return total + abs(found[X]) + abs(found[Y]) + abs(found[STRETCH]) + abs(found[SHEAR])


@kernel
def align(
    ring: Cells, weight: Cells, reference: Cells, trust: Cells, along: Cells, outward: Cells, start: float,
    radii: Floats, major_px: float, outline_px: float, moved: Floats, steps: Cells, spreads: Floats,
    normal: Floats, room: Floats, found: Floats,
) -> float:  # fmt: skip
    """Find what makes the ring like the reference from a turn by `start` on; the turn's standard error.

    radii (RINGS,) in pupils; along, outward: see `gradients`; outline_px, moved: see `hold`. Fills
    `found` (UNKNOWNS,); NaN: not this peak.
    """
    found[:], steps[:], spreads[:] = 0.0, 0.0, 1.0
    found[BEND_X], found[BEND_Y], found[TURN] = BEND * moved[0], BEND * moved[1], start
    error = math.nan
    for step in range(LOOKS):
        cut = CUT if step else 1e9
        look(
            ring, weight, reference, trust, along, outward, found, radii, major_px, cut, steps, spreads,
            normal, room,
        )  # fmt: skip
        hold(major_px, outline_px, moved, found, normal, room[RIGHT])
        error = solve(normal, room[RIGHT], room[MOVE])
        found += room[MOVE]
        # No cell may be looked for beyond the ring's ends; NaN is far, too.
        if not farthest(found, start) <= FARTHEST_CELLS:
            return math.nan
        if step > 1 and abs(room[MOVE, TURN]) < STILL:
            break
    return error


@summing
def likeness(
    ring: Cells, weight: Cells, reference: Cells, trust: Cells, found: Floats, each: Floats
) -> tuple[float, float]:
    """Correlation of all cells once turned (robust ones alone always look alike), and of most pieces.

    An iris is like itself all around: the second is the median over the directions that show enough of it.
    `each` is room for PIECES numbers.
    """
    zero = np.float32(0)
    both, one, two, count = 0.0, 1e-9, 1e-9, 0
    turn = np.float32(found[TURN])
    low = np.int32(np.floor(turn))
    part = turn - np.float32(low)
    for piece in range(PIECES):
        first = PAD + piece * PIECE
        piece_both, piece_one, piece_two, seen = 0.0, 1e-9, 1e-9, 0.0
        for j in range(RINGS):
            ab, aa, bb, a_sum, b_sum, total = zero, zero, zero, zero, zero, np.float32(1e-6)
            turned, weights = ring[j, first + low :], weight[j, first + low :]
            like, trusted = reference[j, first:], trust[j, first:]
            for k in range(PIECE):
                a, b = turned[k] + part * (turned[k + 1] - turned[k]), like[k]
                w = trusted[k] * min(weights[k], weights[k + 1])
                ab, aa, bb = ab + w * a * b, aa + w * a * a, bb + w * b * b
                a_sum, b_sum, total = a_sum + w * a, b_sum + w * b, total + w
            piece_both += ab - a_sum * b_sum / total
            piece_one += aa - a_sum * a_sum / total
            piece_two += bb - b_sum * b_sum / total
            seen += total
        both, one, two = both + piece_both, one + piece_one, two + piece_two
        if seen > PIECE:
            each[count] = piece_both / math.sqrt(piece_one * piece_two)
            count += 1
    typical = quantile(each, count, 0.5) if count else 0.0
    return float(both / math.sqrt(one * two)), float(typical)
