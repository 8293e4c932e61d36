"""The least random error that a pupil's centre can have in a picture: its Cramer-Rao bound.

A picture with independent normal noise of variance v holds, about the parameters t of its noise-free grey
levels I, the Fisher information F_ij = sum over the pixels of (dI/dt_i)(dI/dt_j) / v, and no unbiased
estimator has a covariance below the inverse of F (Rao 1945, Bull Calcutta Math Soc 37:81; Cramer 1946,
Mathematical Methods of Statistics, ch. 32; this form for a mean in normal noise: Kay 1993, Fundamentals of
Statistical Signal Processing: Estimation Theory, section 3.9; all three from memory).

Joint: whoever measures the centre knows neither the other three numbers of the ellipse, nor the two grey
levels, nor the blur, so all eight are parameters, and the bound is read from the inverse of the whole matrix.
The derivatives are central differences of the very picture that is measured. Rounding to whole grey levels
adds its variance, 1/12, to that of the noise.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]
STEPS = np.array([0.01, 0.01, 0.01, 0.01, 0.01, 0.1, 0.1, 0.01])  # of the central differences


class Disc(NamedTuple):
    """A blurred elliptic disc: the outline is (x, y) + [[p, q], [q, s]] (cos, sin); px and grey levels."""

    x: float
    y: float
    p: float
    q: float
    s: float
    dark: float
    bright: float
    blur: float


def render(disc: Disc, size: tuple[int, int]) -> Floats:
    """Grey levels (height, width) without noise, each pixel the mean over 3 x 3 places in it.

    The edge is a normal blur across the outline; distances are exact to first order, which at these radii
    is far beyond the blur.
    """
    width, height = size
    total = np.zeros((height, width))
    scale = disc.p * disc.s - disc.q * disc.q
    for dy in (-1 / 3, 0.0, 1 / 3):
        for dx in (-1 / 3, 0.0, 1 / 3):
            y, x = np.mgrid[:height, :width].astype(float)
            x, y = x + dx - disc.x, y + dy - disc.y
            u, v = (disc.s * x - disc.q * y) / scale, (disc.p * y - disc.q * x) / scale
            length = np.hypot(u, v) + 1e-12
            gx, gy = (disc.s * u - disc.q * v) / scale, (disc.p * v - disc.q * u) / scale
            distance = (length - 1) * length / np.hypot(gx, gy)
            total += ndtr(distance / disc.blur) / 9
    return disc.dark + (disc.bright - disc.dark) * total


def centre_bound_px(disc: Disc, size: tuple[int, int], noise: float) -> float:
    """Least root mean square distance of an unbiased centre from the true one, px, at a noise SD."""
    slopes = np.empty((8, size[0] * size[1]))
    for k, step in enumerate(STEPS):
        move = np.zeros(8)
        move[k] = step
        ahead, behind = Disc(*(np.array(disc) + move)), Disc(*(np.array(disc) - move))
        slopes[k] = ((render(ahead, size) - render(behind, size)) / (2 * step)).ravel()
    covariance = np.linalg.inv(slopes @ slopes.T / (noise * noise + 1 / 12))
    return float(np.sqrt(covariance[0, 0] + covariance[1, 1]))
