"""An outline of a few grey levels brought to its place, and whether single rays speak against one."""

from __future__ import annotations

import math

import numpy as np

from capture.ellipse import Floats
from capture.pupil_checks import CONTRAST, QUALITY, SUPPORT, UNREST, P, S, fits_better, roughness
from capture.pupil_edge import Image
from capture.pupil_faint import MOST_RAYS, follow_faint
from capture.pupil_outline import SAME_PX, WHOLE, judge, judge_for_chords, refit_arcs, settle

FAINT = 15.0  # grey levels: a higher edge is seen by single rays, too
UNCONFIRMED = 0.6  # of its quality an outline keeps whose edge should be seen by single rays and is not
# An edge this high over the noise is seen by single rays (twice as high: never lost), and what they make of
# it speaks against an outline that all rays found: no quality, and too rough or of another size. Chosen on 70
# answers in rooms and 74 right ones in eyes (seeds 6,100,000 to 6,139,999, 6,200,000 to 6,202,999): 60 and 3
# of them go. On s11 CLEAR for what is lost and POOR had to be kinder than rooms and eyes alone ask.
CLEAR, POOR, ROUGH, OTHER_SIZE = 4.0, 0.1, 1.1, 1.25


def settle_faint(image: Image, out: Floats, half: int, in_iris: bool) -> float:
    """As `settle`, for an outline of a few grey levels; in_iris: known to lie within one."""
    out[QUALITY] = 0.0
    frame, shift = np.empty((MOST_RAYS, 4)), np.empty(MOST_RAYS)
    n = follow_faint(image, out, half, in_iris, frame, shift)
    if n == 0:
        return 0.0
    if out[SUPPORT] < WHOLE:
        other = out.copy()
        again = refit_arcs(other, frame[:n], shift[:n])
        again = again and np.max(np.abs(other[:5] - out[:5])) > SAME_PX
        again = again and follow_faint(image, other, 4, in_iris, frame, shift) > 0
        if again and fits_better(other, out):
            out[:] = other
    if out[CONTRAST] < FAINT:
        return judge_for_chords(image, out)
    sharp = out.copy()
    if settle(image, sharp, 4, False) > 0.0:
        out[:] = sharp
    else:
        out[QUALITY] = UNCONFIRMED * judge(image, out)
    return out[QUALITY]


def warm_up_faint(image: Image, outline: Floats) -> None:
    """Compile what `settle_faint` may need."""
    frame, shift = np.zeros((MOST_RAYS, 4)), np.zeros(MOST_RAYS)
    follow_faint(image, outline.copy(), 4, False, frame, shift)
    refit_arcs(outline.copy(), frame[:64], shift[:64])
    fits_better(outline, outline)
    judge_for_chords(image, outline.copy())
    judge(image, outline.copy())


def rays_deny(image: Image, out: Floats) -> bool:
    """Whether single rays show the outline in `out`, which all rays found at once, to be none.

    All rays find an ellipse in the corner of whatever is dark; where its edge is clear, single rays that
    begin there find it rough, go elsewhere or lose it. What they cannot see they do not deny.
    """
    sharp = out.copy()
    sharp[SUPPORT] = 0.0  # stays so where they lose it
    settle(image, sharp, 4, False)
    clear = sharp[CONTRAST] / (CLEAR * sharp[UNREST])
    if sharp[SUPPORT] == 0.0:
        return clear > 2.0
    size = math.sqrt(abs(sharp[P] * sharp[S]) / (out[P] * out[S]))
    is_other = roughness(sharp) > ROUGH or not 1.0 / OTHER_SIZE < size < OTHER_SIZE
    return clear > 1.0 and sharp[QUALITY] < POOR and is_other
