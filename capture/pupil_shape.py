"""What the shape of a living pupil makes of a centre of which an arc is hidden.

No pupil is an exact ellipse. Where all of its outline is in view its waves cancel in the centre; where a lid
hides an arc they do not, and an ellipse fitted to the rest goes astray by more than its rays tell. Here the
waves are fitted together with the ellipse, each held to 0 as loosely as what is in view is off an ellipse;
how well that would hold the centre counts for its quality. The centre itself is not moved: rays that come and
go would move it with the waves.
"""

from __future__ import annotations

import math

import numpy as np

from capture.ellipse import Floats, add_roundness, kernel
from capture.pupil_checks import SHAPE

PARTS = 24  # of the outline: a ray is not needed for a wave of a sixth of a turn
# Waves a turn: "most of what a living pupil is off a circle was made by the first 4 or 5 harmonics" (Wyatt
# 1995), of which an ellipse takes two. That a wave's amplitude falls with its number is a choice.
FIRST, LAST = 3, 6
SIZE = 5 + 2 * (LAST - FIRST + 1)
TEXTURE = 2.0  # times what independent rays scatter: an iris' texture moves neighbours alike
MOST = 1.5  # times the average: what is rougher is not the pupil's shape
_WAVES = np.arange(FIRST, LAST + 1)
_FADED = np.sin(np.pi * _WAVES / PARTS) / (np.pi * _WAVES / PARTS)  # by the mean over a part
_SHARES = np.repeat(1.0 / _WAVES**2 / np.sum(1.0 / _WAVES**2), 2)


@kernel
def add_parts(
    frame: Floats, shift: Floats, weight: Floats, cut_px: float, variance: float, normal: Floats,
    right: Floats,
) -> tuple[float, int]:  # fmt: skip
    """Sum the rays' equations over parts of the outline; returns the square sum of shifts and the parts."""
    n, row, square, parts = shift.size, np.empty(SIZE), 0.0, 0
    for part in range(PARTS):
        first, last = part * n // PARTS, (part + 1) * n // PARTS
        seen, mean, ux, uy, nx, ny = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for k in range(first, last):
            z = shift[k] / cut_px
            if weight[k] > 0.0 and z * z < 1.0:
                w = (1.0 - z * z) ** 2 * weight[k] / variance
                seen, mean = seen + w, mean + w * shift[k]
                ux, uy, nx, ny = (
                    ux + w * frame[k, 0],
                    uy + w * frame[k, 1],
                    nx + w * frame[k, 2],
                    ny + w * frame[k, 3],
                )
        if seen == 0.0:
            continue
        ux, uy, nx, ny = ux / seen, uy / seen, nx / seen, ny / seen
        row[0], row[1], row[2], row[3], row[4] = nx, ny, nx * ux, nx * uy + ny * ux, ny * uy
        c, s = ux, uy
        for wave in range(2, LAST + 1):
            c, s = c * ux - s * uy, s * ux + c * uy
            if wave >= FIRST:
                faded = _FADED[wave - FIRST]
                row[5 + 2 * (wave - FIRST)], row[6 + 2 * (wave - FIRST)] = faded * c, faded * s
        for i in range(SIZE):
            for j in range(i + 1):
                normal[i, j] += seen * row[i] * row[j]
            right[i] += row[i] * mean
        square, parts = square + mean * mean / seen, parts + 1
    return square, parts


@kernel
def eliminate(normal: Floats, right: Floats, first: int, stop: int) -> bool:
    """Cholesky's steps `first` to `stop` in place, on the right side, too. False: singular."""
    for i in range(first, stop):
        if normal[i, i] <= 1e-12:
            return False
        normal[i, i] = math.sqrt(normal[i, i])
        right[i] /= normal[i, i]
        for j in range(i + 1, SIZE):
            normal[j, i] /= normal[i, i]
            right[j] -= normal[j, i] * right[i]
        for j in range(i + 1, SIZE):
            for k in range(i + 1, j + 1):
                normal[j, k] -= normal[j, i] * normal[k, i]
    return True


@kernel
def error_of_shape(
    ellipse: Floats, frame: Floats, shift: Floats, weight: Floats, cut_px: float, variance: float
) -> float:
    """Standard error of the centre's worse axis, px, as rays and shape together hold it; inf: not known.

    An ellipse alone goes astray by up to twice as much. The ellipse is eliminated first. What then is left of
    the waves' information says how large they may be: the square sum of what is left of the shifts is on
    average TEXTURE times the parts less five, and the waves' share.
    """
    normal, right = np.zeros((SIZE, SIZE)), np.zeros(SIZE)
    square, parts = add_parts(frame, shift, weight, cut_px, variance, normal, right)
    size2 = max(ellipse[2] * ellipse[4], 1.0)
    add_roundness(normal, right, ellipse, 1.0 / (0.0225 * size2))
    left = 1e-12
    if parts < 6 or not eliminate(normal, right, 0, 5):
        return math.inf
    for i in range(5):
        square -= right[i] * right[i]
    for i in range(5, SIZE):
        left += size2 * _SHARES[i - 5] * normal[i, i]
    shape2 = min(max((square - TEXTURE * (parts - 5)) / left, 1e-8), (MOST * SHAPE) ** 2)
    for i in range(5, SIZE):
        normal[i, i] += 1.0 / (shape2 * size2 * _SHARES[i - 5])
    if not eliminate(normal, right, 5, SIZE):
        return math.inf
    return worse_axis(normal)


@kernel
def worse_axis(factor: Floats) -> float:
    """Standard error of the centre's worse axis from Cholesky's factor of the normal equations."""
    half = np.zeros((2, SIZE))
    xx, xy, yy = 0.0, 0.0, 0.0
    for axis in range(2):
        half[axis, axis] = 1.0
        for i in range(axis, SIZE):
            for j in range(axis, i):
                half[axis, i] -= factor[i, j] * half[axis, j]
            half[axis, i] /= factor[i, i]
    for i in range(SIZE):
        xx, xy = xx + half[0, i] * half[0, i], xy + half[0, i] * half[1, i]
        yy += half[1, i] * half[1, i]
    return math.sqrt(0.5 * (xx + yy) + math.sqrt(0.25 * (xx - yy) ** 2 + xy * xy))
