"""The darker disc inside a dark outline: the pupil within an iris that is hardly brighter than it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from capture.ellipse import Floats, kernel
from capture.pupil_checks import BLUR, CONTRAST, DARK, LEAST_NOISE, UNREST, P, Q, S, X, Y
from capture.pupil_edge import Image, quantile

Cells = NDArray[np.float64]
CELLS = 24  # about that many cells to a radius, a pixel at least
CLEAR_BLURS = 3.0  # farther in than this the outline's own blur does not reach: 0.1 % of its height
BRIGHT = 0.3  # of the outline's height: brighter is a lid, a lash's gap or a reflection
HALO_PX = 2.0  # how much farther a reflection's light is spread
LEAST_ROW = 4  # cells
LEAST_CELLS = 12  # in the disc, and outside
LEAST_STEP = 1.5  # grey levels from disc to rest


@kernel
def dark_cells(image: Image, out: Floats, cell: int, cells: Cells):
    """Mean grey level of square cells around the outline's centre; NaN outside it and near what is bright."""
    n, blur = cells.shape[0] // 2, max(1, math.ceil((CLEAR_BLURS * out[BLUR] + HALO_PX) / cell))
    scale = 1.0 / (out[P] * out[S] - out[Q] * out[Q])
    reach = 1.0 - CLEAR_BLURS * out[BLUR] / math.sqrt(out[P] * out[S])
    ceiling = out[DARK] + BRIGHT * out[CONTRAST] + 4.0 * out[UNREST]
    left, top = int(out[X] + 0.5) - cell // 2, int(out[Y] + 0.5) - cell // 2
    bright = np.zeros(cells.shape, np.bool_)
    for i in range(-n, n + 1):
        for j in range(-n, n + 1):
            cells[n + i, n + j] = math.nan
            y, x = top + i * cell, left + j * cell
            if min(x, y) < 0 or y + cell > image.shape[0] or x + cell > image.shape[1]:
                continue
            total, most = 0.0, 0.0
            for yy in range(y, y + cell):
                for xx in range(x, x + cell):
                    total, most = total + image[yy, xx], max(most, float(image[yy, xx]))
            dx, dy = x + 0.5 * (cell - 1) - out[X], y + 0.5 * (cell - 1) - out[Y]
            u, v = (out[S] * dx - out[Q] * dy) * scale, (out[P] * dy - out[Q] * dx) * scale
            if u * u + v * v < reach * reach:
                cells[n + i, n + j] = total / (cell * cell)
                bright[n + i, n + j] = most > ceiling
    for i in range(2 * n + 1):
        for j in range(2 * n + 1):
            if bright[i, j]:
                cells[max(i - blur, 0) : i + blur + 1, max(j - blur, 0) : j + blur + 1] = math.nan


@kernel
def texture_inside(image: Image, out: Floats) -> float:
    """How uneven the rows inside an outline are, beyond the noise: below 0.3 a pupil, above 0.5 an iris.

    SD of cells an eighth of the radius wide about the mean of their row (which leaves out the shadow of a
    lid) and the slope across (which leaves out stray light from a side), of the middle one of the rows (which
    leaves out lashes); over the noise of a pixel and a twentieth of the grey level, so that light cancels.
    """
    cell = max(1, int(math.sqrt(out[P] * out[S]) / 8 + 0.5))
    n = int(max(out[P], out[S]) / cell) + 1
    cells = np.empty((2 * n + 1, 2 * n + 1))
    dark_cells(image, out, cell, cells)
    level_out(cells)
    rows, row_count = np.empty(2 * n + 1), 0
    for i in range(2 * n + 1):
        count, total, square = 0, 0.0, 0.0
        for j in range(2 * n + 1):
            if cells[i, j] == cells[i, j]:
                count, total = count + 1, total + cells[i, j]
                square += cells[i, j] * cells[i, j]
        if count >= LEAST_ROW:
            rows[row_count] = (square - total * total / count) / (count - 1)
            row_count += 1
    if row_count == 0:
        return 0.0
    beyond = quantile(rows, row_count, 0.5) - (out[UNREST] / cell) ** 2
    return math.sqrt(max(beyond, 0.0)) / (max(out[UNREST], LEAST_NOISE) + 0.05 * out[DARK])


@kernel
def level_out(cells: Cells):
    """Take the slope across, and the one down, out of the cells: a lid's shadow is no disc."""
    for down in range(2):
        count, sums, square, cross, total = 0, 0.0, 0.0, 0.0, 0.0
        for i in range(cells.shape[0]):
            for j in range(cells.shape[1]):
                if cells[i, j] == cells[i, j]:
                    at = i if down else j
                    count, sums, total = count + 1, sums + at, total + cells[i, j]
                    square, cross = square + at * at, cross + at * cells[i, j]
        spread = square * count - sums * sums
        slope = (cross * count - sums * total) / spread if spread > 0 else 0.0
        for i in range(cells.shape[0]):
            for j in range(cells.shape[1]):
                cells[i, j] -= slope * ((i if down else j) - sums / max(count, 1))


@kernel
def darker_disc(image: Image, out: Floats, off_centre: float, found: Floats) -> float:
    """The darker disc that best parts the inside of an outline in two: two means against one.

    found: x, y, radius as a share of the outline's, grey levels from disc to rest. Returns twice the
    logarithm of the ratio of likelihoods, cells taken as independent; 0: nothing darker inside.
    """
    size = math.sqrt(out[P] * out[S])
    cell = max(1, int(size / CELLS + 0.5))
    n = int(max(out[P], out[S]) / cell) + 1
    cells = np.empty((2 * n + 1, 2 * n + 1))
    dark_cells(image, out, cell, cells)
    level_out(cells)
    floor = max(out[UNREST] ** 2 / (cell * cell), 0.1)
    bins = int(2.0 * size / cell) + 2
    count, sums, squares = np.empty(bins), np.empty(bins), np.empty(bins)
    scale = 1.0 / (out[P] * out[S] - out[Q] * out[Q])
    best, reach = 0.0, int(off_centre * n + 0.5)
    stride = 2 if n * off_centre > 6.0 else 1
    for row in range(-reach, reach + 1, stride):
        for column in range(-reach, reach + 1, stride):
            count[:], sums[:], squares[:] = 0.0, 0.0, 0.0
            for i in range(-n, n + 1):
                for j in range(-n, n + 1):
                    value = cells[n + i, n + j]
                    if value == value:
                        dx, dy = float(j - column), float(i - row)
                        u, v = (out[S] * dx - out[Q] * dy) * scale, (out[P] * dy - out[Q] * dx) * scale
                        at = int(math.sqrt(u * u + v * v) * size + 0.5)
                        count[at] += 1.0
                        sums[at] += value
                        squares[at] += value * value
            total, total_sum, total_square = count.sum(), sums.sum(), squares.sum()
            if total < 2 * LEAST_CELLS:
                return 0.0
            whole = total * math.log(max(total_square / total - (total_sum / total) ** 2, floor))
            inner, inner_sum, inner_square = 0.0, 0.0, 0.0
            room = size / cell - math.sqrt(1.0 * row * row + 1.0 * column * column)
            for at in range(int(room)):  # within the outline: the shadow of a lid is not
                inner, inner_sum = inner + count[at], inner_sum + sums[at]
                inner_square += squares[at]
                outer = total - inner
                if inner < LEAST_CELLS or outer < LEAST_CELLS:
                    continue
                mean, rest = inner_sum / inner, (total_sum - inner_sum) / outer
                if rest < mean + LEAST_STEP:
                    continue
                within = total_square - inner * mean * mean - outer * rest * rest
                gain = whole - total * math.log(max(within / total, floor))
                if gain > best:
                    best = gain
                    found[0], found[1] = out[X] + column * cell, out[Y] + row * cell
                    found[2], found[3] = (at + 0.5) * cell / size, rest - mean
    return best


@kernel
def dark_place(image: Image, x: float, y: float, radius: float, out: Floats):
    """Fill in `out` a circle round a dark place as though it were an outline.

    CONTRAST: grey levels from what is dark in it to what is bright; 0 where too little is in the picture.
    """
    out[X], out[Y], out[P], out[Q], out[S] = x, y, radius, 0.0, radius
    values, count, jumps = np.empty(400), 0, np.empty(400)
    for i in range(20):
        for j in range(20):
            column, row = int(x + radius * (j - 9.5) / 10.0 + 0.5), int(y + radius * (i - 9.5) / 10.0 + 0.5)
            if 0 <= column < image.shape[1] - 1 and 0 <= row < image.shape[0]:
                values[count] = image[row, column]
                jumps[count] = abs(values[count] - image[row, column + 1])
                count += 1
    out[CONTRAST], out[BLUR] = 0.0, 1.0
    if count > 200:
        out[DARK] = quantile(values, count, 0.2)
        out[CONTRAST] = quantile(values, count, 0.85) - out[DARK]
        out[UNREST] = max(quantile(jumps, count, 0.4) / 0.742, 0.5)  # of a normal spread's differences
