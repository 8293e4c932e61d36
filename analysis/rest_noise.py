"""How the place of an eye at rest strays with time: noise of the camera, noise that lasts, slow wander.

Half of the mean square by which a place changes within a time (its variogram) tells them apart. It is
explained as the sum of parts that each belong to a covariance, none of them negative, so that together they
are one too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

Floats = NDArray[np.float64]
LAGS_S = (0.0, 0.03, 0.08, 0.2, 0.5, 1.0)  # apart; the first is one sample
LASTS_S = (0.05, 0.3)  # of noise that remembers itself
WANDERS_S = 0.3  # over which a slow drift of the eye keeps its velocity
LEAST_SPANS = 4  # as long as the time apart, from which a change within it is told
SQUARE_OF_MEDIAN = 0.455  # median of the square of a normal value, in variances
LEAST_WHITE_DEG = 0.002


@dataclass(frozen=True, slots=True)
class RestNoise:
    """Standard deviations of the parts."""

    white_deg: float  # of one sample
    lasting_deg: tuple[float, ...]  # one each of `LASTS_S`
    wander_dps: float  # of a velocity that changes over `WANDERS_S`
    drift_dps: float  # of a velocity that stays

    def covariance(self, time_s: Floats, averaged: int = 1) -> Floats:
        """(n, n) covariance, deg^2, of places at times (n,), means of `averaged` samples each."""
        apart = time_s[:, None] - time_s
        away = time_s - time_s.mean()
        found = np.eye(len(time_s)) * self.white_deg**2 / averaged
        for deviation, lasts_s in zip(self.lasting_deg, LASTS_S, strict=True):
            found += deviation**2 * np.exp(-np.abs(apart) / lasts_s)
        found += (self.wander_dps * WANDERS_S) ** 2 * np.exp(-((apart / WANDERS_S) ** 2) / 2)
        return found + self.drift_dps**2 * np.outer(away, away)


def rest_noise(parts: Sequence[Floats], rate_hz: float, usual_dps: float) -> RestNoise:
    """Noise of an eye at rest, from places (n,) deg at `rate_hz`, part by part; a part has no quick movement.

    The slow wander is at least `usual_dps`: a few seconds show too little of it. Where they are too few to
    tell what lasts, all else counts as white.
    """
    lags_s, changes = _variogram(parts, rate_hz)
    if len(lags_s) < 2:
        white_deg = math.sqrt(changes[0]) if len(changes) else LEAST_WHITE_DEG
        return RestNoise(max(white_deg, LEAST_WHITE_DEG), (0.0,) * len(LASTS_S), usual_dps, 0.0)
    shapes = np.column_stack(
        [np.ones(len(lags_s))]
        + [1 - np.exp(-lags_s / s) for s in LASTS_S]
        + [WANDERS_S**2 * (1 - np.exp(-((lags_s / WANDERS_S) ** 2) / 2)), lags_s**2 / 2]
    )
    found, _ = nnls(shapes / changes[:, None], np.ones(len(changes)))
    white, *lasting, wander, drift = np.sqrt(found).tolist()
    return RestNoise(max(white, LEAST_WHITE_DEG), tuple(lasting), max(wander, usual_dps), drift)


def _variogram(parts: Sequence[Floats], rate_hz: float) -> tuple[Floats, Floats]:
    """Times apart (k,) s and half the mean square change within each, deg^2, as far as they can be told."""
    lags_s, changes = list[float](), list[float]()
    for samples in dict.fromkeys(max(round(s * rate_hz), 1) for s in LAGS_S):
        away = [part[samples:] - part[:-samples] for part in parts if len(part) > samples]
        if sum(map(len, away)) >= LEAST_SPANS * samples:
            square = float(np.median(np.concatenate(away) ** 2)) / SQUARE_OF_MEDIAN / 2
            lags_s.append(samples / rate_hz)
            changes.append(max(square, LEAST_WHITE_DEG**2))
    return np.array(lags_s), np.array(changes)
