"""An ellipse as a centre and a symmetric stretch, and its robust least-squares fit to edge points.

The outline is c + S u(phi), u = (cos phi, sin phi), S = [[p, q], [q, s]] symmetric and positive. This form
has no singular point at the circle, its eigenvalues are the semi-axes, and S is the stretch circle -> ellipse
that the torsion's definition undoes. A move (dc, dS) shifts the outline along its normal n by
n . (dc + dS u): linear in the five parameters, so a fit is a few small linear solves.

Kernels pass an ellipse as a float64 array (x, y, p, q, s).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from numba import njit
from numba.core.types import unliteral
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
F = TypeVar("F", bound=Callable[..., Any])


def kernel(function: F) -> F:
    """Compile; 1/0 is inf, as in numpy: never an exception.

    A whole number or flag that a calling kernel writes out is an argument like any other: numba's own way is
    to compile the called one anew for each value, to the same machine code.
    """
    made: Any = njit(cache=True, nogil=True, error_model="numpy")(function)
    if made is function:  # compilation is off
        return function
    template = made.get_call_template
    made.get_call_template = lambda args, kws: template(
        tuple(map(unliteral, args)), {name: unliteral(kind) for name, kind in kws.items()}
    )
    return made


@kernel
def solve5(normal: Floats, right: Floats) -> bool:
    """Solve the symmetric positive 5 x 5 system in place; `right` becomes the solution. False: singular."""
    for i in range(5):
        for j in range(i + 1):
            total = normal[i, j]
            for k in range(j):
                total -= normal[i, k] * normal[j, k]
            if i == j:
                if total <= 1e-12:
                    return False
                normal[i, i] = math.sqrt(total)
            else:
                normal[i, j] = total / normal[j, j]
    for i in range(5):
        for k in range(i):
            right[i] -= normal[i, k] * right[k]
        right[i] /= normal[i, i]
    for i in range(4, -1, -1):
        for k in range(i + 1, 5):
            right[i] -= normal[k, i] * right[k]
        right[i] /= normal[i, i]
    return True


@kernel
def add_row(normal: Floats, right: Floats, ux: float, uy: float, nx: float, ny: float, d: float, w: float):
    """Add one observation to the normal equations: the outline at u lies `d` px along its normal n."""
    a0, a1, a2, a3, a4 = nx, ny, nx * ux, nx * uy + ny * ux, ny * uy
    row = (a0, a1, a2, a3, a4)
    for i in range(5):
        for j in range(i + 1):
            normal[i, j] += w * row[i] * row[j]
        right[i] += w * row[i] * d


@kernel
def add_roundness(normal: Floats, right: Floats, ellipse: Floats, weight: float):
    """Add a weak pull toward a circle (q = 0, p = s), which keeps a fit to a short arc from running away."""
    normal[3, 3] += weight
    right[3] -= weight * ellipse[3]
    half = 0.25 * weight
    normal[2, 2] += half
    normal[4, 4] += half
    normal[4, 2] -= half
    right[2] -= half * (ellipse[2] - ellipse[4])
    right[4] += half * (ellipse[2] - ellipse[4])


@kernel
def semi_axes(ellipse: Floats) -> tuple[float, float, float]:
    """Semi-axes in px, long first (the second may be <= 0: not an ellipse), and the long axis' angle, rad."""
    mean = 0.5 * (ellipse[2] + ellipse[4])
    half = 0.5 * (ellipse[2] - ellipse[4])
    spread = math.sqrt(half * half + ellipse[3] * ellipse[3])
    return mean + spread, mean - spread, 0.5 * math.atan2(ellipse[3], half)


@kernel
def is_plausible(ellipse: Floats, least_px: float, most_px: float, least_aspect: float) -> bool:
    """Whether the axes lie within the given limits; False for NaN as well."""
    major, minor, _ = semi_axes(ellipse)
    return minor >= least_px and major <= most_px and minor >= least_aspect * major


@kernel
def distance_px(ellipse: Floats, x: float, y: float) -> tuple[float, float, float, float, float]:
    """Signed distance of a point from the outline (outside positive), with u and the normal where it is.

    First order in the distance: exact on the outline, which is where the fit ends.
    """
    p, q, s = ellipse[2], ellipse[3], ellipse[4]
    scale = 1.0 / (p * s - q * q)
    dx, dy = x - ellipse[0], y - ellipse[1]
    vx, vy = (s * dx - q * dy) * scale, (p * dy - q * dx) * scale
    length = math.sqrt(vx * vx + vy * vy) + 1e-12
    ux, uy = vx / length, vy / length
    gx, gy = (s * ux - q * uy) * scale, (p * uy - q * ux) * scale
    slope = math.sqrt(gx * gx + gy * gy)
    return (length - 1.0) / slope, ux, uy, gx / slope, gy / slope


@kernel
def circle_through(xs: Floats, ys: Floats, use: Flags, ellipse: Floats) -> bool:
    """Algebraic least-squares circle (Kasa 1976, IEEE Trans Instrum Meas 25:8) through the points in use."""
    n, mx, my = 0, 0.0, 0.0
    for k in range(xs.size):
        if use[k]:
            n, mx, my = n + 1, mx + xs[k], my + ys[k]
    if n < 5:
        return False
    mx, my = mx / n, my / n
    sxx, sxy, syy, sxz, syz, sz = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(xs.size):
        if use[k]:
            x, y = xs[k] - mx, ys[k] - my
            z = x * x + y * y
            sxx, sxy, syy = sxx + x * x, sxy + x * y, syy + y * y
            sxz, syz, sz = sxz + x * z, syz + y * z, sz + z
    det = sxx * syy - sxy * sxy
    if det < 1e-6 * n * n:
        return False
    cx, cy = 0.5 * (syy * sxz - sxy * syz) / det, 0.5 * (sxx * syz - sxy * sxz) / det
    radius = math.sqrt(sz / n + cx * cx + cy * cy)
    ellipse[0], ellipse[1] = mx + cx, my + cy
    ellipse[2], ellipse[3], ellipse[4] = radius, 0.0, radius
    return True


@kernel
def fit_step(
    ellipse: Floats,
    xs: Floats,
    ys: Floats,
    use: Flags,
    cut_px: float,
    normal: Floats,
    right: Floats,
) -> bool:
    """One Gauss-Newton step toward the points in use, in place; points beyond `cut_px` count nothing."""
    normal[:] = 0.0
    right[:] = 0.0
    for k in range(xs.size):
        if use[k]:
            d, ux, uy, nx, ny = distance_px(ellipse, xs[k], ys[k])
            z = d / cut_px
            if z * z < 1.0:
                w = 1.0 - z * z
                add_row(normal, right, ux, uy, nx, ny, d, w * w)
    # an edge point is good to 0.3 px and an outline round to 0.15 of its radius: the square of the ratio
    add_roundness(normal, right, ellipse, 4.0 / (ellipse[2] * ellipse[4]))
    if not solve5(normal, right):
        return False
    for i in range(5):
        ellipse[i] += right[i]
    return True


@kernel
def truncated_cost(ellipse: Floats, xs: Floats, ys: Floats, use: Flags, cut_px: float) -> float:
    """Sum over all points of min(d^2 / cut^2, 1); a point not in use costs 1."""
    cost = 0.0
    for k in range(xs.size):
        if use[k]:
            z = distance_px(ellipse, xs[k], ys[k])[0] / cut_px
            cost += min(z * z, 1.0)
        else:
            cost += 1.0
    return cost


@kernel
def robust_ellipse(
    xs: Floats, ys: Floats, use: Flags, cut_px: float, limits: Floats, ellipse: Floats
) -> float:
    """Fit an ellipse to ordered edge points of which lids, lashes and glints have spoilt whole arcs.

    What spoils an outline spoils a run of neighbouring points, so the hypotheses are fits to arcs:
    everything, each half and third, and pairs of opposite quarters (both lids). The one with the least
    truncated cost wins.

    xs, ys, use: (n,), in order around the outline; limits: least and most semi-axis, least aspect.
    Returns the cost per point (1: nothing fits); `ellipse` is overwritten.
    """
    n = xs.size
    best = 1.0 * n
    trial = np.empty(5)
    normal, right = np.empty((5, 5)), np.empty(5)
    part = np.empty(n, np.bool_)
    for hypothesis in range(29):
        if (hypothesis == 1 and best < 0.15 * n) or (hypothesis == 13 and best < 0.3 * n):
            break  # the whole outline agrees, or all but a third: no lesser arc can do better by much
        for k in range(n):
            if hypothesis == 0:
                chosen = True
            elif hypothesis <= 12:
                chosen = (k - (hypothesis - 1) * n // 12) % n < n // 2
            elif hypothesis <= 24:
                chosen = (k - (hypothesis - 13) * n // 12) % n < n // 3
            else:
                chosen = (k - (hypothesis - 25) * n // 8) % (n // 2) < n // 4
            part[k] = use[k] and chosen
        if not circle_through(xs, ys, part, trial):
            continue
        steps_ok = True
        for step in range(5):
            steps_ok = steps_ok and fit_step(
                trial, xs, ys, part if step < 3 else use, 1e9 if step < 3 else cut_px, normal, right
            )
            steps_ok = steps_ok and is_plausible(trial, limits[0], limits[1], limits[2])
            if not steps_ok:
                break
        if steps_ok:
            cost = truncated_cost(trial, xs, ys, use, cut_px)
            if cost < best:
                best = cost
                ellipse[:] = trial
    for _ in range(3):
        if best < n:
            fit_step(ellipse, xs, ys, use, cut_px, normal, right)
    return best / n
