"""Targets that the patient cannot have looked at: found because all the others agree without them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from capture.calibration_fit import Fit, FitSettings, Prior, fit, gaze_standard_error_rad
from capture.eye_geometry import gaze
from capture.fixations import Fixation
from capture.samples import Target

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RefusalSettings:
    """When a target is an outlier. None was chosen on a recording."""

    outlier_deg: float = 1.5  # this far from where the other targets put it (common practice)
    outlier_sd: float = 4.0  # and this far beyond the expected error of that (common practice)
    evidence: float = 9.0  # and no other single target explains the misfit nearly as well (3 SD)
    misfit: float = 9.0  # cost of a fit, for each target, above which it is none (3 SD)
    least_share_kept: float = 0.6  # of the targets: when more must go, none can be trusted (common practice)
    least_span_deg: float = 3.0  # that the kept targets spread on both axes (common practice)


class Kept(NamedTuple):
    """The targets that count, their fit, and why each of the others does not."""

    fixations: tuple[Fixation, ...]
    fit: Fit
    refused: dict[Target, str]


class OtherScale(NamedTuple):
    """Whether the eye looks as if the angles of the targets were others than stated."""

    factor: float  # times the stated angles
    evidence: float  # how much less the fit's cost is with those; below 0: the stated ones fit better


AS_STATED = OtherScale(1.0, 0.0)
SCALES = {
    0.5: "half the stated angles",
    2 / 3: "two thirds of the stated angles",
    1.5: "one and a half times the stated angles",
    2.0: "twice the stated angles",
}


def other_scale(kept: Kept, known: Prior) -> OtherScale:
    """Fit once more with the angles of `SCALES`, the usual slips of typing and of measuring a screen.

    How much the pupil's outline narrows and how the steps shrink with the angle tells them apart, besides
    what is known of eyes. With right angles the evidence stayed below 6 on 100 ray-traced eyes and 14 phantom
    eyes, with doubled ones it was above 15; with a measured mount it was above 6 on all of 20 eyes at one and
    a half times and two thirds. Targets that contradict each other make it meaningless.
    """
    trials = []
    for factor in SCALES:
        fixations = [_turned(one, factor) for one in kept.fixations]
        start = kept.fit.vector.copy()
        start[4] += math.log(factor)  # mm per px
        cost = fit(fixations, known, start).cost
        trials.append(OtherScale(factor, kept.fit.cost - cost))
    return max(trials, key=lambda trial: trial.evidence)


def _turned(fixation: Fixation, factor: float) -> Fixation:
    target = fixation.target
    return fixation._replace(
        target=target._replace(
            horizontal_deg=factor * target.horizontal_deg, vertical_deg=factor * target.vertical_deg
        )
    )


def too_few(fixations: Sequence[Fixation], least_span_deg: float = RefusalSettings().least_span_deg) -> str:
    """Why these targets cannot carry a calibration, or nothing."""
    places = {fixation.target[2:] for fixation in fixations}
    if len(places) < 3:
        seen = "1 target was" if len(places) == 1 else f"{len(places)} different targets were"
        return f"Only {seen} seen steadily; a calibration needs three."
    angles = np.array(sorted(places))
    spread = np.sqrt(2.0) * np.linalg.svd(angles - angles.mean(axis=0), compute_uv=False)[-1]
    if spread < least_span_deg:
        return "The targets lie on one line; a calibration needs looks along both axes."
    return ""


def refuse_outliers(
    fixations: Sequence[Fixation],
    known: Prior,
    settings: RefusalSettings = RefusalSettings(),
) -> Kept:
    """Fit, and refuse one target after another while leaving it out makes all the others agree.

    Args:
        fixations: steady ones, enough for a calibration (`too_few` has nothing to say).
        known: the priors of the fit.
        settings: limits.
    """
    kept, refused = tuple(fixations), dict[Target, str]()
    found = fit(kept, known)
    least = max(3.0, settings.least_share_kept * len(fixations))
    while len(kept) - 1 >= least:
        worst = _outlier(kept, found, known, settings)
        if worst is None:
            break
        outlier, found, off_deg = worst
        kept = tuple(fixation for fixation in kept if fixation is not outlier)
        where = f"{off_deg:.1f} deg from where the other targets put it"
        refused[outlier.target] = where if np.isfinite(off_deg) else "far off"
    return Kept(kept, found, refused)


def _outlier(
    kept: tuple[Fixation, ...], whole: Fit, known: Prior, settings: RefusalSettings
) -> tuple[Fixation, Fit, float] | None:
    """The one target to leave out, the fit without it and how far off it is; None when none stands out."""
    trials = _without_one(kept, whole.vector, known, settings)
    if trials and trials[0][0].cost > settings.misfit * len(kept):
        # A target that is far off bends the whole fit so much that the way back may not be found from there.
        trials = _without_one(kept, None, known, settings)
    if not trials:
        return None
    best, outlier = trials[0]
    if len(trials) > 1 and trials[1][0].cost - best.cost < settings.evidence:
        return None
    off_deg, expected_deg = _off(outlier, best)
    if off_deg < settings.outlier_deg or off_deg < settings.outlier_sd * expected_deg:
        return None
    return outlier, best, off_deg


def _without_one(
    kept: tuple[Fixation, ...],
    start: Floats | None,
    known: Prior,
    settings: RefusalSettings,
) -> list[tuple[Fit, Fixation]]:
    """Fits with one target left out and that target, the best fit first."""
    trials: list[tuple[Fit, Fixation]] = []
    for one in kept:
        others = tuple(fixation for fixation in kept if fixation is not one)
        if not too_few(others, settings.least_span_deg):
            trials.append((fit(others, known, start), one))
    return sorted(trials, key=lambda trial: trial[0].cost)


def _off(fixation: Fixation, other: Fit) -> tuple[float, float]:
    """How far a fixation lies from its target by a fit without it, and the SD expected of that; deg."""
    seen = gaze(other.vector, np.array([[fixation.x_px, fixation.y_px]]), np.zeros(1))
    target = np.radians([fixation.target[2:]])
    off_deg = float(np.degrees(np.linalg.norm(seen - target))) if np.isfinite(seen).all() else np.inf
    model = np.degrees(gaze_standard_error_rad(other.vector, other.covariance, target))[0]
    expected = np.sqrt((model**2).max() + FitSettings().aim_deg ** 2 + fixation.standard_error_deg**2)
    return off_deg, float(expected)
