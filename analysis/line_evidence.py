"""How well straight lines of one common slope with jumps between them explain the places of an eye.

A trace is cut into lines in every possible way, and all ways are summed, each by its likelihood: nothing
hangs on whether a single jump can be seen. Lines last about a given time, lie about where the eye is on the
mean, and their slopes scatter about the common one. Samples in which a jump may last belong to no line.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
NOTHING = -1e250  # logarithm of nothing
CUT_OFF = -3.0  # log share of lines of any length where the trace begins or ends: they may be cut off
NEGLIGIBLE = -12.0  # log share of the likeliest way below which a line is not asked for its slope
NOT_MET = -40.0  # log share of a slope below which a line says nothing for it
FEW = 1e-280


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def log_evidence(
    time_s: Floats,
    place_deg: Floats,
    off_deg: Floats,
    noise_deg: Floats,
    lasts: Floats,
    jumps: Floats,
    slopes_dps: Floats,
    stray_dps: float,
    level_deg: float,
    width_deg: float,
) -> Floats:
    """(m,) log likelihoods, but for a constant, of common slopes (m,) of an unbroken stretch of samples (n,).

    `off_deg` is how far the eye is from where it is on the mean, `noise_deg` the error of a sample. `lasts`
    are log shares of lines of so many samples, `jumps` shares of jumps that cover so many. Slopes stray by
    `stray_dps`, middles of lines from the mean place by `level_deg`, samples in jumps by `width_deg`.
    """
    n, m = time_s.size, slopes_dps.size
    ended, began = np.zeros((n + 1, m)), np.zeros((n + 1, m))  # a line just ended; the next may begin
    ended_log, began_log = np.full(n + 1, NOTHING), np.full(n + 1, NOTHING)
    ended[0], began[0] = 1.0, 1.0
    ended_log[0], began_log[0] = 0.0, 0.0
    for j in range(1, n + 1):
        ended_log[j] = _lines_to(
            j, time_s, place_deg, off_deg, noise_deg, lasts, slopes_dps, stray_dps, level_deg, began,
            began_log, ended[j],
        )  # fmt: skip
        began_log[j] = _behind_jumps(j, noise_deg, jumps, width_deg, ended, ended_log, began[j])
    return np.log(began[n] + FEW) + began_log[n]


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def _lines_to(
    j: int,
    time_s: Floats,
    place_deg: Floats,
    off_deg: Floats,
    noise_deg: Floats,
    lasts: Floats,
    slopes_dps: Floats,
    stray_dps: float,
    level_deg: float,
    began: Floats,
    began_log: Floats,
    found: Floats,
) -> float:
    """Fill `found` (m,) with the sum over all lines whose last sample is j - 1; the log of its scale."""
    n, m = time_s.size, slopes_dps.size
    w = wt = wy = wo = wtt = wty = wyy = 0.0
    scale = NOTHING
    for i in range(j - 1, max(j - lasts.size, -1), -1):
        weight = 1.0 / noise_deg[i] ** 2
        t, y = time_s[i] - time_s[j - 1], place_deg[i] - place_deg[j - 1]
        w, wt, wy, wo = w + weight, wt + weight * t, wy + weight * y, wo + weight * off_deg[i]
        wtt, wty, wyy = wtt + weight * t * t, wty + weight * t * y, wyy + weight * y * y
        share = lasts[j - i]
        if i == 0 or j == n:
            share = max(share, CUT_OFF)
        if share <= NOTHING or began_log[i] <= NOTHING:
            continue
        level = level_deg**2 + 1.0 / w
        log = share + began_log[i] - 0.5 * (math.log(w * level) + (wo / w) ** 2 / level)
        slope, error = 0.0, 0.0
        along = wtt - wt * wt / w
        if j - i > 1:
            across = wty - wt * wy / w
            slope, error = across / along, 1.0 / along
            log -= 0.5 * max(wyy - wy * wy / w - across * slope, 0.0)
        if log > scale:
            for q in range(m):
                found[q] *= math.exp(max(scale - log, -700.0))
            scale = log
        if log - scale < NEGLIGIBLE:
            continue
        factor = math.exp(log - scale)
        if j - i == 1:
            for q in range(m):
                found[q] += began[i, q] * factor
            continue
        spread = error + stray_dps**2
        factor *= math.sqrt(error / spread)
        for q in range(m):
            away = -0.5 * (slope - slopes_dps[q]) ** 2 / spread
            if away > NOT_MET:
                found[q] += began[i, q] * factor * math.exp(away)
    return _scaled(found, scale)


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def _behind_jumps(
    j: int,
    noise_deg: Floats,
    jumps: Floats,
    width_deg: float,
    ended: Floats,
    ended_log: Floats,
    found: Floats,
) -> float:
    """Fill `found` (m,) with what has come to begin a line at sample j; the log of its scale."""
    most = min(jumps.size - 1, j)
    scale = ended_log[j - most : j + 1].max()
    log = 0.0
    for k in range(most + 1):
        if k:
            log += math.log(noise_deg[j - k] / width_deg)
        if ended_log[j - k] > NOTHING:
            found += jumps[k] * math.exp(log + ended_log[j - k] - scale) * ended[j - k]
    return _scaled(found, scale)


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def _scaled(found: Floats, scale: float) -> float:
    """Bring the largest of `found` (m,) to 1; the log of what it stands for."""
    largest = max(found.max(), FEW)
    found /= largest
    return scale + math.log(largest)
