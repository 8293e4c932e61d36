"""From pixels to degrees: one eye's calibration, how good it is, and the conversion itself."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from capture.calibration_fit import Prior, gaze_standard_error_rad, prior
from capture.direction import Direction, FlipFound, check_direction, upright
from capture.errors import CalibrationError
from capture.eye_geometry import EyeModel, gaze, rotation_without_torsion
from capture.fixations import Fixation, find_fixations
from capture.profile import EyeView, MountGeometry
from capture.refusal import Kept, refuse_outliers, too_few
from capture.samples import SAMPLE_DTYPE, Eye, Target

Floats = NDArray[np.float64]
Grade = Literal["good", "usable", "refused", "default"]


class CalibrationSettings(msgspec.Struct, frozen=True):
    """When a calibration is good enough."""

    good_deg: tuple[float, float] = (0.5, 1.0)  # mean and worst residual, clinical.md 27.4
    usable_deg: tuple[float, float] = (1.0, 2.0)  # mean and worst residual, clinical.md 27.4
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


class Calibration(msgspec.Struct, frozen=True):
    """How one eye's pixels become degrees. Stored as JSON beside the pixels."""

    eye: Eye
    calibrated: bool  # False: the degrees are those of an assumed geometry and meet no limit
    grade: Grade
    direction: Direction  # whether known targets prove that right is right and up is up
    reason: str
    mean_residual_deg: float | None
    worst_residual_deg: float | None
    targets: tuple[TargetResidual, ...]
    valid_horizontal_deg: tuple[float, float] | None  # the calibrated range; None when there is none
    valid_vertical_deg: tuple[float, float] | None
    view: EyeView  # as used for the degrees: the stated one unless the targets contradict it
    stated_view: EyeView
    picture_size_px: tuple[int, int]
    model: EyeModel
    covariance: tuple[tuple[float, ...], ...]  # (14, 14) of the model's vector
    torsion_zero_deg: float  # Fick torsion of the tracker's reference, which degrees() adds
    made_from: str

    def summary(self) -> str:
        """A few lines for people."""
        lines = [
            f"{self.eye.capitalize()} eye, calibration {self.grade}, direction {self.direction}. {self.reason}"
        ]
        for row in self.targets:
            name = f"  target ({row.horizontal_deg:g}, {row.vertical_deg:g}) deg"
            off = (
                f"off by ({row.residual_horizontal_deg or 0:+.2f}, {row.residual_vertical_deg or 0:+.2f}) deg"
            )
            parts = [
                name,
                "" if math.isnan(row.off_deg) else off,
                "" if row.used else f"not used: {row.reason}",
            ]
            lines.append(", ".join(part for part in parts if part))
        return "\n".join(lines)


def default_calibration(
    view: EyeView,
    geometry: MountGeometry,
    picture_size_px: tuple[int, int],
    *,
    straight_ahead_px: tuple[float, float] | None = None,
) -> Calibration:
    """Degrees without targets: an average eye (clinical.md 3.4), marked uncalibrated.

    Args:
        view: of the eye.
        geometry: what is known of the mount.
        picture_size_px: width, height of the full picture.
        straight_ahead_px: where the pupil is, as delivered, when the patient looks ahead; else the middle of the
            eye's part of the picture is taken for it.
    """
    known = prior(view, geometry, picture_size_px)
    if straight_ahead_px is not None:
        known.mean[5:7] = upright(view, np.array([straight_ahead_px]), picture_size_px)[0]
    flip = FlipFound("unproven", view, "there were no targets")
    reason = "No targets: the degrees are those of an average eye, uncalibrated."
    return _assumed(view, flip, picture_size_px, known, "default", reason)


def calibrate(
    targets: Sequence[Target],
    samples: NDArray[np.void],
    view: EyeView,
    geometry: MountGeometry,
    picture_size_px: tuple[int, int],
    settings: CalibrationSettings = CalibrationSettings(),
) -> Calibration:
    """Calibrate one eye from what it did while the patient looked at known targets.

    Args:
        targets: in the time of the samples.
        samples: SAMPLE_DTYPE rows of one eye.
        view: of the eye, as stated.
        geometry: what is known of the mount.
        picture_size_px: width, height of the full picture.
        settings: limits of the grades.

    One that cannot be made or trusted comes back with `calibrated=False`, the assumed geometry and the reason.
    Raises CalibrationError when `samples` are not SAMPLE_DTYPE rows.
    """
    if samples.dtype != SAMPLE_DTYPE:
        raise CalibrationError(
            "A calibration needs samples of one eye as SAMPLE_DTYPE rows. Hand in such an array."
        )
    if not targets:
        return default_calibration(view, geometry, picture_size_px)
    fixations, flip = _fixations(targets, samples, view, geometry, picture_size_px)
    known = prior(flip.view, geometry, picture_size_px)
    steady = [fixation for fixation in fixations if fixation.kind != "none"]
    why_not = too_few(steady)
    if why_not:
        rows = tuple(_row(fixation, None, fixation.reason or "too few targets") for fixation in fixations)
        return _assumed(view, flip, picture_size_px, known, "refused", f"Refused: {why_not}", rows)
    return _graded(fixations, refuse_outliers(steady, known), flip, view, known, picture_size_px, settings)


def degrees(calibration: Calibration, x_px: Floats, y_px: Floats, rotation_deg: Floats) -> Floats:
    """(n, 3) horizontal, vertical, torsional Fick angles of pupils and iris rotations as delivered, (n,) each.

    NaN where the pupil is missing or lies outside of what an eye can show; torsion also where the rotation is
    missing, and everywhere when the targets contradict the stated view (its sign cannot be trusted then).
    """
    vector = calibration.model.vector()
    gaze_rad = gaze(vector, _upright(calibration, x_px, y_px))
    turned_deg = -rotation_deg if calibration.view.mirrored else rotation_deg
    out = np.full((len(gaze_rad), 3), np.nan)
    out[:, :2] = np.degrees(gaze_rad)
    if calibration.direction != "contradicted":  # positive torsion is counter-clockwise in an upright picture
        out[:, 2] = (
            np.degrees(rotation_without_torsion(vector, gaze_rad)) - turned_deg + calibration.torsion_zero_deg
        )
    return out


def standard_error_deg(calibration: Calibration, x_px: Floats, y_px: Floats) -> Floats:
    """(n, 2) SD of the converted horizontal and vertical angle that the calibration's uncertainty leaves.

    It holds the patient's aim at the targets, what the targets cannot tell about the eye and the camera, but not
    the tracker's noise at this sample. NaN where degrees() is NaN.
    """
    vector = calibration.model.vector()
    gaze_rad = gaze(vector, _upright(calibration, x_px, y_px))
    out = np.full((len(gaze_rad), 2), np.nan)
    there = np.isfinite(gaze_rad[:, 0])
    out[there] = np.degrees(
        gaze_standard_error_rad(vector, np.array(calibration.covariance), gaze_rad[there])
    )
    return out


def _upright(calibration: Calibration, x_px: Floats, y_px: Floats) -> Floats:
    xy_px = np.column_stack((x_px, y_px)).astype(np.float64)
    return upright(calibration.view, xy_px, calibration.picture_size_px)


def _fixations(
    targets: Sequence[Target],
    samples: NDArray[np.void],
    view: EyeView,
    geometry: MountGeometry,
    picture_size_px: tuple[int, int],
) -> tuple[tuple[Fixation, ...], FlipFound]:
    """The fixations in the upright picture, upright by the view that the targets prove."""
    known = prior(view, geometry, picture_size_px)
    px_per_deg = math.radians(math.exp(known.mean[7] - known.mean[4]))
    fixations = find_fixations(targets, samples, view, picture_size_px, px_per_deg)
    steady = [fixation for fixation in fixations if fixation.kind != "none"]
    angles = np.array([fixation.target[2:] for fixation in steady]).reshape(-1, 2)
    places = np.array([(fixation.x_px, fixation.y_px) for fixation in steady]).reshape(-1, 2)
    flip = check_direction(view, angles, places)
    if flip.view != view:
        fixations = find_fixations(targets, samples, flip.view, picture_size_px, px_per_deg)
    return fixations, flip


def _row(fixation: Fixation, vector: Floats | None, reason: str) -> TargetResidual:
    """What is told of one target; used when there is no reason against it."""
    off = np.full(2, np.nan)
    if vector is not None:
        off = np.degrees(gaze(vector, np.array([[fixation.x_px, fixation.y_px]])))[0] - fixation.target[2:]
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


def _graded(
    fixations: Sequence[Fixation],
    kept: Kept,
    flip: FlipFound,
    stated: EyeView,
    known: Prior,
    picture_size_px: tuple[int, int],
    settings: CalibrationSettings,
) -> Calibration:
    """The calibration with its grade; a refused one falls back on the assumed geometry."""
    vector = kept.fit.vector
    rows = tuple(_row(one, vector, one.reason or kept.refused.get(one.target, "")) for one in fixations)
    used = [row for row in rows if row.used]
    off_deg = np.nan_to_num([row.off_deg for row in used], nan=90.0)  # no gaze at all fits there
    mean_deg, worst_deg = float(off_deg.mean()), float(off_deg.max())
    grade, reason = _grade(used, mean_deg, worst_deg, settings)
    reason = f"{reason} Residual {mean_deg:.2f} deg (mean), {worst_deg:.2f} deg (worst) on {len(used)} of {len(rows)}"
    reason = f"{reason} targets; {flip.reason}."
    if grade == "refused":
        return _assumed(stated, flip, picture_size_px, known, "refused", reason, rows)
    horizontal, vertical = [row.horizontal_deg for row in used], [row.vertical_deg for row in used]
    return Calibration(
        eye=stated.eye,
        calibrated=True,
        grade=grade,
        direction=flip.direction,
        reason=reason,
        mean_residual_deg=mean_deg,
        worst_residual_deg=worst_deg,
        targets=rows,
        valid_horizontal_deg=(min(horizontal) - settings.margin_deg, max(horizontal) + settings.margin_deg),
        valid_vertical_deg=(min(vertical) - settings.margin_deg, max(vertical) + settings.margin_deg),
        view=flip.view,
        stated_view=stated,
        picture_size_px=picture_size_px,
        model=EyeModel.from_vector(vector),
        covariance=_nested(kept.fit.covariance),
        torsion_zero_deg=_torsion_zero_deg(kept.fixations, vector),
        made_from=f"{len(used)} targets",
    )


def _grade(
    used: Sequence[TargetResidual], mean_deg: float, worst_deg: float, settings: CalibrationSettings
) -> tuple[Grade, str]:
    """Grade and what there is to say about it (clinical.md 27.4)."""
    if mean_deg > settings.usable_deg[0] or worst_deg > settings.usable_deg[1]:
        return "refused", "Refused: the targets do not fit an eye. Repeat the calibration."
    if mean_deg > settings.good_deg[0] or worst_deg > settings.good_deg[1]:
        return "usable", "Usable with caution: the residuals are large."
    pairs = [(one, two) for i, one in enumerate(used) for two in used[:i]]
    apart_deg = [_apart_deg(one, two) for one, two in pairs if _angles(one) == _angles(two)]
    if max(apart_deg, default=0.0) > settings.slip_deg:
        return (
            "usable",
            "Usable with caution: a repeated target was seen elsewhere, the goggles may have moved.",
        )
    if len(used) < settings.testable_targets:
        return "usable", f"Usable with caution: the residuals of {len(used)} targets cannot show an error."
    if any(row.seen == "foveation" for row in used):
        return "usable", "Usable with caution: the eye drifted, positions after quick phases were used."
    return "good", "Good."


def _angles(row: TargetResidual) -> tuple[float, float]:
    return row.horizontal_deg, row.vertical_deg


def _apart_deg(one: TargetResidual, two: TargetResidual) -> float:
    """How far apart the same target was seen twice."""
    across = (one.residual_horizontal_deg or 0.0) - (two.residual_horizontal_deg or 0.0)
    return math.hypot(across, (one.residual_vertical_deg or 0.0) - (two.residual_vertical_deg or 0.0))


def _torsion_zero_deg(kept: Sequence[Fixation], vector: Floats) -> float:
    """So that mean torsion is zero at the targets nearest to straight ahead where the iris was readable."""
    readable = [one for one in kept if math.isfinite(one.rotation_deg)]
    nearest_deg = min((math.hypot(*one.target[2:]) for one in readable), default=0.0)
    central = [one for one in readable if math.hypot(*one.target[2:]) <= nearest_deg + 0.1]
    gaze_rad = np.radians([one.target[2:] for one in central]) if central else np.zeros((1, 2))
    still_deg = np.degrees(rotation_without_torsion(vector, gaze_rad))
    seen_deg = np.array([one.rotation_deg for one in central]) if central else np.zeros(1)
    return float(np.mean(seen_deg - still_deg))


def _assumed(
    stated: EyeView,
    flip: FlipFound,
    picture_size_px: tuple[int, int],
    known: Prior,
    grade: Grade,
    reason: str,
    rows: tuple[TargetResidual, ...] = (),
) -> Calibration:
    """An uncalibrated geometry: the priors' means."""
    return Calibration(
        eye=stated.eye,
        calibrated=False,
        grade=grade,
        direction=flip.direction,
        reason=reason,
        mean_residual_deg=None,
        worst_residual_deg=None,
        targets=rows,
        valid_horizontal_deg=None,
        valid_vertical_deg=None,
        view=flip.view,
        stated_view=stated,
        picture_size_px=picture_size_px,
        model=EyeModel.from_vector(known.mean),
        covariance=_nested(np.diag(known.sd**2)),
        torsion_zero_deg=_torsion_zero_deg((), known.mean),
        made_from="an average eye",
    )


def _nested(matrix: Floats) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(value) for value in row) for row in matrix)
