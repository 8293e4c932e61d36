"""From pixels to degrees: one eye's calibration, how good it is, and the conversion itself."""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray

from capture.calibration_fit import FitSettings, gaze_standard_error_rad, prior
from capture.direction import Direction, FlipFound, check_direction, upright, upright_rotation_deg
from capture.errors import CalibrationError
from capture.eye_geometry import EyeModel, gaze, iris_rotation
from capture.fixations import Fixation, find_fixations
from capture.grading import Grade, GradeSettings, Judgement, TargetResidual, judge, target_residual
from capture.profile import EyeView, MountGeometry
from capture.refusal import Kept, other_scale, refuse_outliers, too_few
from capture.samples import SAMPLE_DTYPE, Eye, Target

Floats = NDArray[np.float64]
LARGEST_TORSION_DEG = 15.0  # more is a misread iris, not an eye (ocular range about 10 deg, from memory)


class Calibration(msgspec.Struct, frozen=True):
    """How one eye's pixels become degrees. Stored as JSON beside the pixels."""

    eye: Eye
    calibrated: bool  # False: the degrees are those of an assumed geometry and are held against no limit
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
    torsion_zero_deg: float  # rotation (upright) that the tracker reads at zero torsion, beyond the model's
    made_from: str
    # Added later. A field with a default, as every further one must have: what was sealed before has none.
    # Zero torsion is that at the central target, not the tracker's reference.
    torsion_referenced: bool = False

    def summary(self) -> str:
        """A few lines for people."""
        head = f"{self.eye.capitalize()} eye: calibration {self.grade}, direction {self.direction}."
        reason = self.reason.removeprefix(f"{self.grade.capitalize()}: ").removeprefix("Good. ")
        lines = [f"{head} {reason[:1].upper()}{reason[1:]}"]
        for row in self.targets:
            parts = [f"  target ({row.horizontal_deg:g}, {row.vertical_deg:g}) deg"]
            if not math.isnan(row.off_deg):
                across_deg, up_deg = row.residual_horizontal_deg, row.residual_vertical_deg
                parts.append(f"off by ({across_deg:+.2f}, {up_deg:+.2f}) deg")
            if not row.used:
                parts.append(f"not used: {row.reason}")
            lines.append(", ".join(parts))
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
        straight_ahead_px: where the pupil is, as delivered, when the patient looks ahead; by default the
            middle of the eye's part of the picture.
    """
    known = prior(view, geometry, picture_size_px)
    if straight_ahead_px is not None:
        known.mean[5:7] = upright(view, np.array([straight_ahead_px]), picture_size_px)[0]
    return Calibration(
        eye=view.eye,
        calibrated=False,
        grade="default",
        direction="unproven",
        reason="No targets: the degrees are those of an average eye, uncalibrated.",
        mean_residual_deg=None,
        worst_residual_deg=None,
        targets=(),
        valid_horizontal_deg=None,
        valid_vertical_deg=None,
        view=view,
        stated_view=view,
        picture_size_px=picture_size_px,
        model=EyeModel.from_vector(known.mean),
        covariance=_nested(np.diag(known.sd**2)),
        torsion_zero_deg=_torsion_zero_deg((), known.mean),
        torsion_referenced=False,
        made_from="an average eye",
    )


def calibrate(
    targets: Sequence[Target],
    samples: NDArray[np.void],
    view: EyeView,
    geometry: MountGeometry,
    picture_size_px: tuple[int, int],
    settings: GradeSettings | None = None,
) -> Calibration:
    """Calibrate one eye from what it did while the patient looked at known targets.

    Args:
        targets: in the time of the samples.
        samples: SAMPLE_DTYPE rows of one eye.
        view: of the eye, as stated.
        geometry: what is known of the mount.
        picture_size_px: width, height of the full picture.
        settings: limits of the grades.

    One that cannot be made or trusted comes back with `calibrated=False`, the geometry of an average eye that
    looks straight ahead at the middle of what was seen, and the reason. Raises CalibrationError when
    `samples` are not SAMPLE_DTYPE rows.
    """
    if samples.dtype != SAMPLE_DTYPE:
        raise CalibrationError("A calibration needs samples of one eye: an array of SAMPLE_DTYPE.")
    middle_px = _middle_px(samples)
    if not targets:
        return default_calibration(view, geometry, picture_size_px, straight_ahead_px=middle_px)
    fixations, flip = _fixations(targets, samples, view, geometry, picture_size_px)
    average = msgspec.structs.replace(
        default_calibration(flip.view, geometry, picture_size_px, straight_ahead_px=middle_px),
        grade="refused",
        direction=flip.direction,
        stated_view=view,
    )
    steady = [fixation for fixation in fixations if fixation.kind != "none"]
    if why_not := _none_within(targets, samples) or too_few(steady):
        rows = tuple(target_residual(one, None, one.reason or "too few targets") for one in fixations)
        return msgspec.structs.replace(average, reason=f"Refused: {why_not}", targets=rows)
    kept = refuse_outliers(steady, prior(flip.view, geometry, picture_size_px))
    reasons = {one.target: one.reason for one in fixations} | kept.refused
    rows = tuple(target_residual(one, kept.fit.vector, reasons[one.target]) for one in fixations)
    scale = other_scale(kept, prior(flip.view, geometry, picture_size_px))
    return _judged(
        average, judge(rows, kept.fit.strain, flip, settings or GradeSettings(), scale), rows, kept
    )


def _none_within(targets: Sequence[Target], samples: NDArray[np.void]) -> str:
    """Why no target can count at all: its times are not those of the video."""
    if not len(samples):
        return ""
    start_s, end_s = float(samples["time_s"][0]), float(samples["time_s"][-1])
    if any(target.start_s < end_s and target.end_s > start_s for target in targets):
        return ""
    return (
        f"No target lies within the video ({start_s:.1f} to {end_s:.1f} s); the targets are from "
        f"{targets[0].start_s:.1f} to {targets[-1].end_s:.1f} s."
    )


def _middle_px(samples: NDArray[np.void]) -> tuple[float, float] | None:
    """The middle of where the pupil was seen."""
    seen = np.isfinite(samples["x_px"] + samples["y_px"])
    if not seen.any():
        return None
    return float(np.median(samples["x_px"][seen])), float(np.median(samples["y_px"][seen]))


def degrees(calibration: Calibration, x_px: Floats, y_px: Floats, rotation_deg: Floats) -> Floats:
    """(n, 3) horizontal, vertical, torsional Fick angles.

    Args:
        calibration: of this eye.
        x_px: (n,) pupils as delivered, in order of time.
        y_px: (n,) same.
        rotation_deg: (n,) of the iris as delivered. Once its zero is known, it counts for the first two
            angles as well (the pupil lies off the line of sight); where missing, its neighbours stand in.

    NaN where the pupil is missing or lies outside of what an eye can show; torsion also where the rotation is
    missing, and everywhere when the targets contradict the stated view (its sign cannot be trusted then).
    """
    vector = calibration.model.vector()
    upright_px = _upright(calibration, x_px, y_px)
    turned_deg = upright_rotation_deg(calibration.view, rotation_deg)
    gaze_rad = gaze(vector, upright_px, np.zeros(len(upright_px)))
    torsion_deg = _torsion_deg(calibration, gaze_rad, turned_deg)
    if calibration.torsion_referenced:
        gaze_rad = gaze(vector, upright_px, np.radians(_filled(torsion_deg)))
        torsion_deg = _torsion_deg(calibration, gaze_rad, turned_deg)
    return np.column_stack((np.degrees(gaze_rad), torsion_deg))


def _torsion_deg(calibration: Calibration, gaze_rad: Floats, turned_deg: Floats) -> Floats:
    """(n,) Fick torsion; positive is counter-clockwise in an upright picture."""
    if calibration.direction == "contradicted":
        return np.full(len(gaze_rad), np.nan)
    vector, torsion_deg = calibration.model.vector(), np.zeros(len(gaze_rad))
    for _ in range(3):  # nearly one to one: torsion turns about the line of sight, not the iris' own axis
        still_deg = np.degrees(iris_rotation(vector, gaze_rad, np.radians(torsion_deg)))
        torsion_deg = torsion_deg + still_deg + calibration.torsion_zero_deg - turned_deg
    return torsion_deg


def _filled(torsion_deg: Floats) -> Floats:
    """Torsion without holes, for its small effect on the pupil's place: a hole would look like a jump."""
    there = np.flatnonzero(np.isfinite(torsion_deg))
    if not len(there):
        return np.zeros(len(torsion_deg))
    filled = np.interp(np.arange(len(torsion_deg)), there, torsion_deg[there])
    return np.clip(filled, -LARGEST_TORSION_DEG, LARGEST_TORSION_DEG)


def standard_error_deg(calibration: Calibration, x_px: Floats, y_px: Floats) -> Floats:
    """(n, 2) SD of the converted horizontal and vertical angle that the calibration's uncertainty leaves.

    It holds the patient's aim at the targets and what the targets cannot tell about the eye and the camera,
    but not the tracker's noise at this sample. NaN where degrees() is NaN.
    """
    vector = calibration.model.vector()
    upright_px = _upright(calibration, x_px, y_px)
    gaze_rad = gaze(vector, upright_px, np.zeros(len(upright_px)))
    out = np.full((len(gaze_rad), 2), np.nan)
    there = np.isfinite(gaze_rad[:, 0])
    out[there] = np.degrees(
        gaze_standard_error_rad(vector, np.array(calibration.covariance), gaze_rad[there])
    )
    beating = any(row.used and row.seen == "foveation" for row in calibration.targets)
    settings = FitSettings()
    return np.hypot(out, settings.common_landing_deg if beating else settings.common_aim_deg)


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


def _judged(
    average: Calibration, judged: Judgement, rows: tuple[TargetResidual, ...], kept: Kept
) -> Calibration:
    """The calibration that the targets give in place of the average eye, unless it is refused."""
    refused = msgspec.structs.replace(
        average,
        reason=judged.reason,
        mean_residual_deg=judged.mean_deg,
        worst_residual_deg=judged.worst_deg,
        targets=rows,
    )
    if judged.grade == "refused":
        return refused
    return msgspec.structs.replace(
        refused,
        calibrated=True,
        grade=judged.grade,
        valid_horizontal_deg=judged.valid_horizontal_deg,
        valid_vertical_deg=judged.valid_vertical_deg,
        model=EyeModel.from_vector(kept.fit.vector),
        covariance=_nested(kept.fit.covariance),
        torsion_zero_deg=_torsion_zero_deg(kept.fixations, kept.fit.vector),
        torsion_referenced=any(math.isfinite(one.rotation_deg) for one in kept.fixations),
        made_from=f"{len(kept.fixations)} targets",
    )


def _torsion_zero_deg(kept: Sequence[Fixation], vector: Floats) -> float:
    """So that mean torsion is zero at the targets nearest to straight ahead where the iris was readable."""
    readable = [one for one in kept if math.isfinite(one.rotation_deg)]
    nearest_deg = min((math.hypot(*one.target[2:]) for one in readable), default=0.0)
    central = [one for one in readable if math.hypot(*one.target[2:]) <= nearest_deg + 0.1]
    gaze_rad = np.radians([one.target[2:] for one in central]) if central else np.zeros((1, 2))
    still_deg = np.degrees(iris_rotation(vector, gaze_rad, np.zeros(len(gaze_rad))))
    seen_deg = np.array([one.rotation_deg for one in central]) if central else np.zeros(1)
    return float(np.mean(seen_deg - still_deg))


def _nested(matrix: Floats) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(value) for value in row) for row in matrix)
