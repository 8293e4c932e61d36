"""What saccades of one eye have in common beyond the form that is fitted to them.

Two exponents (`saccade_course`) do not take every course: one that fades exponentially on both sides was
measured up to 8 % too slow at its peak. What the fits leave is less than the noise in one saccade, but the
same in all of one direction and about one size. It is fitted to them together as a series of Hermite
functions about the middle of the movement (Gram and Charlier's series: Cramer, Mathematical Methods of
Statistics, 1946, from memory), held to be small beforehand, so that a few saccades say little.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import factorial
from typing import NamedTuple

import numpy as np
from numpy.polynomial.hermite_e import hermevander
from numpy.typing import NDArray

Floats = NDArray[np.float64]
# Design choices, on eleven forms: minimum jerk, sines, Gauss, gammas, sech squared, trapezoid, betas.
ORDER = 5  # of the series
USUAL = 0.02  # SD of each member, as a share of the movement's size
SCALE = np.sqrt([float(factorial(k)) for k in range(ORDER + 1)])


class Left(NamedTuple):
    """What one saccade says of the series: inverse covariance (6, 6), and that times its members (6,)."""

    certain: Floats
    told: Floats


class Form(NamedTuple):
    """Members of the series (6,) as shares of the size, and their covariance (6, 6)."""

    members: Floats
    spread: Floats

    def slope(self, z: float) -> float:
        """What it adds to the slope of a movement of size 1, `z` standard deviations from its middle."""
        return float(_slopes(z) @ self.members)

    def slope_error(self, z: float) -> float:
        """Standard error of that."""
        return float(np.sqrt(_slopes(z) @ self.spread @ _slopes(z)))


def left(z: Floats, rest: Floats, noise: float) -> Left:
    """What samples (n,) of one saccade at places (n,) say, `rest` being what its fit left; in shares."""
    bumps = hermevander(z, ORDER) * np.exp(-z * z / 2)[:, None] / SCALE
    bumps -= bumps.mean(axis=0)  # where the eye is on the whole is not known
    return Left(bumps.T @ bumps / noise**2, bumps.T @ rest / noise**2)


def form(saccades: Sequence[Left]) -> Form:
    """The form that all of them have together, less the share that noise alone would bring.

    James & Stein (4th Berkeley Symp 1961;1:361-379, from memory): no form where the series explains no more
    than noise lets expect.
    """
    certain, told = (np.asarray(sum(part), np.float64) for part in zip(*saccades, strict=True))
    spread = np.asarray(np.linalg.inv(certain + np.eye(ORDER + 1) / USUAL**2), np.float64)
    members = spread @ told
    by_noise = float(np.trace(spread @ certain))
    kept = max(1 - by_noise / max(float(told @ members), by_noise), 0.0)
    return Form(kept * members, kept * spread)


def _slopes(z: float) -> Floats:
    """Slope of each member (n,): its derivative is the next one, with the other sign."""
    return np.asarray(-hermevander(z, ORDER + 1)[0, 1:] * np.exp(-z * z / 2) / SCALE, dtype=np.float64)
