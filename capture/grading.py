"""How good a calibration is: what became of each target, and the grade (clinical.md 27.4)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from capture.direction import FlipFound
from capture.eye_geometry import gaze
from capture.fixations import Fixation
from capture.refusal import AS_STATED, SCALES, OtherScale

Grade = Literal["good", "usable", "refused", "default"]


@dataclass(frozen=True, slots=True)
class GradeSettings:
    """When a calibration is good enough."""

    good_deg: tuple[float, float] = (0.5, 1.0)  # mean and worst residual, clinical.md 27.4
    usable_deg: tuple[float, float] = (1.0, 2.0)  # mean and worst residual, clinical.md 27.4
    strain: tuple[float, float] = (
        16.0,
        36.0,
    )  # caution at 4 SD of one parameter, refusal at 99.9 % of all 14
    other_scale: tuple[float, float] = (6.0, 12.0)  # evidence: caution, refusal; see refusal.other_scale
    testable_targets: int = 4  # three targets always fit nearly: their residuals show no error
    slip_deg: float = 1.0  # the same target seen twice this far apart: the goggles moved, clinical.md 3.3
    margin_deg: float = 5.0  # beyond the outermost target, still inside the valid range (common practice)


class TargetResidual(msgspec.Struct, frozen=True):
    """What became of one target. None where the pupil was not seen steadily."""

    start_s: float
    end_s: float
    horizontal_deg: float
    vertical_deg: float
    residual_horizontal_deg: float | None  # fitted minus target
    residual_vertical_deg: float | None
    standard_error_deg: float | None  # of the place where it was seen, without the error of the patient's aim
    share_used: float  # of the target's samples
    seen: Literal["steady", "foveation", "none"]
    used: bool
    reason: str  # why it was not used

    @property
    def off_deg(self) -> float:
        """Distance of fitted gaze from the target; NaN where there is none."""
        if self.residual_horizontal_deg is None or self.residual_vertical_deg is None:
            return math.nan
        return math.hypot(self.residual_horizontal_deg, self.residual_vertical_deg)


def target_residual(fixation: Fixation, vector: NDArray[np.float64] | None, reason: str) -> TargetResidual:
    """What is told of one target; used when there is no reason against it."""
    off = np.full(2, np.nan)
    if vector is not None:
        seen = gaze(vector, np.array([[fixation.x_px, fixation.y_px]]), np.zeros(1))[0]
        off = np.degrees(seen) - fixation.target[2:]
    horizontal, vertical = (float(value) if np.isfinite(value) else None for value in off)
    return TargetResidual(
        *(float(value) for value in fixation.target),
        residual_horizontal_deg=horizontal,
        residual_vertical_deg=vertical,
        standard_error_deg=None if fixation.kind == "none" else fixation.standard_error_deg,
        share_used=fixation.share_used,
        seen=fixation.kind,
        used=not reason,
        reason=reason,
    )


class Judgement(NamedTuple):
    """What the residuals of the used targets say about a calibration."""

    grade: Grade
    reason: str
    mean_deg: float | None  # None: a target lies where no eye of this fit can look
    worst_deg: float | None
    valid_horizontal_deg: tuple[float, float]
    valid_vertical_deg: tuple[float, float]


def judge(
    rows: Sequence[TargetResidual],
    strain: float,
    flip: FlipFound,
    settings: GradeSettings,
    scale: OtherScale = AS_STATED,
) -> Judgement:
    """Grade a calibration.

    Args:
        rows: all its targets.
        strain: how unusual an eye or mount the fit needs, see calibration_fit.Fit.
        flip: what the targets say about the picture.
        settings: limits.
        scale: whether other angles of the targets fit better.
    """
    used = [row for row in rows if row.used]
    off_deg = np.array([row.off_deg for row in used])
    mean_deg, worst_deg = float(off_deg.mean()), float(off_deg.max())
    fits = math.isfinite(mean_deg)
    cautions = _cautions(rows, mean_deg, worst_deg, strain, settings)
    agree = mean_deg <= settings.good_deg[0] and worst_deg <= settings.good_deg[1]
    agree &= _largest_slip_deg(rows) <= settings.slip_deg
    in_doubt = scale.evidence if agree else 0.0  # targets that contradict each other say nothing of it
    if in_doubt > settings.other_scale[0]:
        cautions.append(_other_angles(scale))
    grade, why = _by_fit(mean_deg, worst_deg, strain, cautions, settings)
    if in_doubt > settings.other_scale[1]:
        grade, why = "refused", f"Refused: {_other_angles(scale)}. Check them and repeat the calibration."
    residual = f"Residual {mean_deg:.2f} deg (mean), {worst_deg:.2f} deg (worst)" if fits else "No fit"
    horizontal, vertical = [row.horizontal_deg for row in used], [row.vertical_deg for row in used]
    margin_deg = settings.margin_deg
    return Judgement(
        grade,
        f"{why} {residual} on {len(used)} of {len(rows)} targets; {flip.reason}.",
        mean_deg if fits else None,
        worst_deg if fits else None,
        (min(horizontal) - margin_deg, max(horizontal) + margin_deg),
        (min(vertical) - margin_deg, max(vertical) + margin_deg),
    )


def _by_fit(
    mean_deg: float, worst_deg: float, strain: float, cautions: Sequence[str], settings: GradeSettings
) -> tuple[Grade, str]:
    """The grade that residuals and strain allow, and why."""
    largest_mean_deg, largest_deg = settings.usable_deg
    too_far = not math.isfinite(mean_deg) or mean_deg > largest_mean_deg or worst_deg > largest_deg
    if too_far or strain > settings.strain[1]:
        return "refused", "Refused: the targets do not fit an eye. Repeat the calibration."
    return ("usable", f"Usable with caution: {', '.join(cautions)}.") if cautions else ("good", "Good.")


def _other_angles(scale: OtherScale) -> str:
    return f"the eye moved as if the targets stood at {SCALES[scale.factor]}"


def _cautions(
    rows: Sequence[TargetResidual],
    mean_deg: float,
    worst_deg: float,
    strain: float,
    settings: GradeSettings,
) -> list[str]:
    """What speaks against calling a calibration good."""
    used = [row for row in rows if row.used]
    said = {
        "the residuals are large": mean_deg > settings.good_deg[0] or worst_deg > settings.good_deg[1],
        "a repeated target was seen elsewhere, so the goggles may have moved": _largest_slip_deg(rows)
        > settings.slip_deg,
        "only an unusual eye or camera fits": strain > settings.strain[0],
        f"the residuals of {len(used)} targets cannot show an error": len(used) < settings.testable_targets,
        "the eye drifted, positions after quick phases were used": any(
            row.seen == "foveation" for row in used
        ),
    }
    return [caution for caution, holds in said.items() if holds]


def _largest_slip_deg(rows: Sequence[TargetResidual]) -> float:
    """How far apart the same target was seen twice, used or not."""
    places: dict[tuple[float, float], list[tuple[float, float]]] = {}
    for row in rows:
        if row.residual_horizontal_deg is not None and row.residual_vertical_deg is not None:
            residual = (row.residual_horizontal_deg, row.residual_vertical_deg)
            places.setdefault((row.horizontal_deg, row.vertical_deg), []).append(residual)
    return max((math.dist(one, two) for same in places.values() for one in same for two in same), default=0.0)
