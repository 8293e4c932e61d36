"""A lid's chord that has been taken for the pupil's outline: how it shows, and the outline without it.

Beside the chord, where lid and pupil meet, the pupil bulges out of an ellipse that follows the chord: there
the dark goes on beyond the outline.
"""

from __future__ import annotations

import math

import numpy as np

from capture.ellipse import Flags, Floats, fit_step, is_plausible, kernel
from capture.pupil_around import AROUND, COS, SIN, mean_beyond
from capture.pupil_checks import BLUR, CONTRAST, DARK, SEEN, P, Q, S, X, Y
from capture.pupil_edge import Image, grey_at, quantile

PUPIL_STILL = 0.35  # of the edge's height: darker is the pupil
CLEAR = 2.5  # SD of the iris' texture: darker is no texture
LONGEST = AROUND // 3  # directions of a chord that is left out
APART = 2  # directions between two runs that are taken as one


@kernel
def onward(image: Image, out: Floats, flags: Flags) -> float:
    """Share of the directions in which it is dark on both sides of the outline, each said in `flags`.

    Seen in means over three directions, so that a lash is not.
    """
    beyond, means, dark = np.empty(AROUND), np.empty(AROUND), 0
    for k in range(AROUND):
        beyond[k] = mean_beyond(image, out, k, out[BLUR])
    for k in range(AROUND):
        means[k] = (beyond[k - 1] + beyond[k] + beyond[(k + 1) % AROUND]) / 3.0
    beyond[:] = means
    usual = quantile(means, AROUND, 0.5)
    # 0.3 to 0.5, or 0.5 to 0.7 quantile, over 0.52: one SD; a chord spoils the one, a bright lid the other
    spread = min(usual - quantile(means, AROUND, 0.3), quantile(means, AROUND, 0.7) - usual)
    level = min(out[DARK] + PUPIL_STILL * out[CONTRAST], usual - CLEAR / 0.52 * spread)
    for k in range(AROUND):
        flags[k] = beyond[k] < level
        flags[k] = flags[k] and mean_beyond(image, out, k, -2.0 * out[BLUR] - 1.0) < level
        dark += flags[k]
    return dark / AROUND


@kernel
def next_arc(flags: Flags, state: Floats, start: int, arc: Flags) -> int:
    """Mark in `arc` the rays of the next chord that may lie beside a dark run; returns where to go on.

    `start` counts the directions at which a run may end, first clockwise, then the other way round; twice
    AROUND when there is none left. A chord ends where rays are not seen, at the latest after LONGEST.
    """
    n = state.size
    for at in range(start, 2 * AROUND):
        way = 1 if at < AROUND else -1
        k = at % AROUND
        ahead = False
        for step in range(1, APART + 1):
            ahead = ahead or flags[(k + way * step) % AROUND]
        if not flags[k] or ahead:
            continue
        arc[:] = False
        first = way * (k * n // AROUND)
        met = 0
        for step in range(1, LONGEST * n // AROUND):
            i = (way * (first + step)) % n
            if state[i] == SEEN:
                met += 1
                arc[i] = True
            elif met > n // AROUND:
                break
        if met > n // AROUND:
            return at + 1
    return 2 * AROUND + 1


@kernel
def fit_without(
    image: Image, out: Floats, frame: Floats, shift: Floats, state: Floats, arc: Flags, flags: Flags
) -> bool:
    """Fit the ellipse in `out` anew to rays seen and not in `arc`, and to where the dark beside it ends.

    False: they do not hold it.
    """
    n, count = shift.size, 0
    xs, ys = np.empty(n + AROUND), np.empty(n + AROUND)
    for k in range(n):
        if state[k] == SEEN and not arc[k]:
            xs[count] = out[X] + out[P] * frame[k, 0] + out[Q] * frame[k, 1] + shift[k] * frame[k, 2]
            ys[count] = out[Y] + out[Q] * frame[k, 0] + out[S] * frame[k, 1] + shift[k] * frame[k, 3]
            count += 1
    if 3 * count < n:
        return False
    for k in range(AROUND):
        if flags[k]:
            share = end_of_dark(image, out, k)
            if share > 0.0:
                xs[count] = out[X] + share * (out[P] * COS[k] + out[Q] * SIN[k])
                ys[count] = out[Y] + share * (out[Q] * COS[k] + out[S] * SIN[k])
                count += 1
    normal, right, use = np.empty((5, 5)), np.empty(5), np.ones(count, np.bool_)
    for _ in range(5):
        if not fit_step(out[:5], xs[:count], ys[:count], use, 1e9, normal, right):
            return False
    return is_plausible(out[:5], 1.0, float(max(image.shape[0], image.shape[1])), 0.3)


@kernel
def end_of_dark(image: Image, out: Floats, k: int) -> float:
    """Where the dark beyond the outline ends in direction k, as a share of the radius; 0: not soon."""
    du, dv = out[P] * COS[k] + out[Q] * SIN[k], out[Q] * COS[k] + out[S] * SIN[k]
    length, level = math.sqrt(du * du + dv * dv), out[DARK] + 0.5 * out[CONTRAST]
    far = out[BLUR]
    while far < 0.5 * length:
        share = 1.0 + far / length
        if grey_at(image, out[X] + share * du, out[Y] + share * dv) > level:
            return share - 0.5 / length
        far += 1.0
    return 0.0
