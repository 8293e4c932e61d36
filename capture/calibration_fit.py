"""The fit behind a calibration: most probable eye and camera, given what was seen and what is known of eyes.

Maximum a posteriori by least squares. Much of the geometry cannot be told from a handful of fixations: the
camera's direction from the pupil's own angle (kappa), scale from radius, distance from direction. Such
combinations stay where anatomy puts them (the priors) and what the targets do show is fitted; that makes the
step from eight targets to three gradual. The pupil's outline helps: it is round where the eye looks into the
camera. So does the iris: what it turns between targets beyond Listing's law is the camera's doing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from capture.direction import upright
from capture.eye_geometry import PARAMETERS, iris_rotation, picture_position, pupil_shape
from capture.fixations import Fixation
from capture.profile import EyeView, MountGeometry

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FitSettings:
    """What is known before the first fixation: mean and SD of a population. None chosen on a recording."""

    azimuth_sd_deg: float = 25.0  # goggle cameras sit up to 30 deg off the eye's axis (common practice)
    elevation_deg: tuple[float, float] = (-5.0, 20.0)  # mostly from below (common practice)
    roll_sd_deg: float = 10.0  # a mount's tilt, up to 20 deg (common practice)
    distance_mm: tuple[float, float] = (60.0, 0.35)  # median, SD of its logarithm (common practice)
    picture_mm: tuple[float, float] = (
        32.0,
        0.35,
    )  # long side at the eye: an eye opening of 30 mm fits (same)
    # Of the long side: how far off the middle the pupil may be (common practice).
    straight_sd_share: float = 0.25
    # Pupil 3.05 mm behind the corneal apex (Atchison & Smith); centre of rotation 15.3 mm (horizontal) and
    # 12.5 mm (vertical) behind it, SD 1.5 (clinical.md 3.4); 13.5 mm for both (Fry & Hill 1962): from memory.
    radius_mm: tuple[float, float] = (10.8, 0.12)  # mean of both axes, SD of its logarithm
    axis_gap_mm: tuple[float, float] = (1.4, 1.4)  # half-way between one common centre and 2.8 mm
    # Optical axis 4 to 5 deg to the temple of the line of sight, pupil 0.2 to 0.3 mm toward the nose of it
    # (Atchison & Smith, from memory): the pupil lies about 3 deg to the temple. Few eyes are more than 2.5
    # deg from that, but some axes lie to the nose, and outline and iris tell it better: a wide SD keeps those
    # within one. Chosen among 2.5, 4, 6 and 10 on 24 simulated eyes of either side.
    pupil_temporal_deg: tuple[float, float] = (3.0, 6.0)
    pupil_up_deg: tuple[float, float] = (0.0, 2.0)
    refraction: tuple[float, float] = (0.049, 0.011)  # own ray traces over a population, see eye_geometry
    # Axis ratio of a pupil seen along its axis 1 to 5 % off round (Wyatt 1995, from memory).
    oval_sd: float = 0.03
    mount_angle_sd_deg: float = 3.0  # of a measured mount on a face (common practice)
    mount_distance_sd_mm: float = 4.0  # same
    mount_scale_sd: float = 0.03  # of mm per px from a printed grid (same)
    aim_deg: float = 0.2  # how far from a target people fixate, each axis (0.1 to 0.3 deg, from memory)
    # Steadier than any living eye (0.05 deg and more, from memory): an artificial one.
    still_eye_deg: float = 0.01
    still_aim_deg: float = 0.1  # of an artificial eye, set by hand (common practice)
    common_aim_deg: float = 0.15  # alike on all targets, so that no residual shows it (from memory)
    common_landing_deg: float = 0.5  # same, of quick phases that all end short of their target (from memory)
    # Over their whole range eyes hold Listing's law to 0.5 to 1 deg (Tweed & Vilis 1990, clinical.md 4),
    # within 15 deg to half of that (from memory). What the iris turns beyond it is the camera's doing.
    listing_deg: float = 0.3
    shape_sd: float = 0.02  # error of log(major / minor) of a measured outline
    reach_sd: float = 8.0  # no entry of the model is sought farther from its prior
    bound_sd: float = 3.0  # no misread outline or iris counts for more than this


class Prior(NamedTuple):
    """Mean and standard deviation of each entry of a model's vector, both (14,)."""

    mean: Floats
    sd: Floats


class Fit(NamedTuple):
    """A fitted eye."""

    vector: Floats  # (14,)
    covariance: Floats  # (14, 14)
    cost: float  # sum of squares of all whitened residuals, priors among them
    strain: float  # the priors' part: squared distance, in SD, from an average eye and mount


def prior(
    view: EyeView,
    geometry: MountGeometry,
    picture_size_px: tuple[int, int],
    settings: FitSettings = FitSettings(),
) -> Prior:
    """What is known of this eye and camera before any fixation."""
    side = -1.0 if view.eye == "right" else 1.0  # of the temple
    region = view.region_px or (0, 0, *picture_size_px)
    long_px = max(region[2:])
    s = settings
    rows = [
        _angle(geometry.azimuth_temporal_deg, side, (0.0, s.azimuth_sd_deg), s.mount_angle_sd_deg),
        _angle(geometry.elevation_deg, 1.0, s.elevation_deg, s.mount_angle_sd_deg),
        (0.0, math.radians(s.roll_sd_deg)),
        (math.log(s.distance_mm[0]), s.distance_mm[1]),
        (math.log(s.picture_mm[0] / long_px), s.picture_mm[1]),
        *_straight(view, region, picture_size_px, s.straight_sd_share * long_px),
        (math.log(s.radius_mm[0]), s.radius_mm[1]),
        s.axis_gap_mm,
        (side * math.radians(s.pupil_temporal_deg[0]), math.radians(s.pupil_temporal_deg[1])),
        (math.radians(s.pupil_up_deg[0]), math.radians(s.pupil_up_deg[1])),
        s.refraction,
        (0.0, s.oval_sd),
        (0.0, s.oval_sd),
    ]
    if geometry.distance_mm is not None:
        rows[3] = (math.log(geometry.distance_mm), s.mount_distance_sd_mm / geometry.distance_mm)
    if geometry.mm_per_px is not None:
        rows[4] = (math.log(geometry.mm_per_px), s.mount_scale_sd)
    mean, sd = np.array(rows, dtype=np.float64).T
    return Prior(mean, sd)


def _angle(
    measured_deg: float | None, sign: float, otherwise_deg: tuple[float, float], sd_deg: float
) -> tuple[float, float]:
    mean_deg, sd = otherwise_deg if measured_deg is None else (sign * measured_deg, sd_deg)
    return math.radians(mean_deg), math.radians(sd)


def _straight(
    view: EyeView, region: tuple[int, int, int, int], picture_size_px: tuple[int, int], sd_px: float
) -> list[tuple[float, float]]:
    """The middle of the eye's part of the picture, upright."""
    x, y, width, height = region
    middle = upright(view, np.array([[x + (width - 1) / 2.0, y + (height - 1) / 2.0]]), picture_size_px)[0]
    return [(float(middle[0]), sd_px), (float(middle[1]), sd_px)]


def fit(
    fixations: Sequence[Fixation],
    known: Prior,
    start: Floats | None = None,
    settings: FitSettings = FitSettings(),
) -> Fit:
    """The most probable model for fixations of known targets.

    Args:
        fixations: with a position each.
        known: the priors.
        start: a model's vector close to the answer; without one, three camera directions are tried.
        settings: errors of aim and measurement.
    """
    if start is not None:
        return _fit_from(start, fixations, known, settings)
    central = min(fixations, key=lambda fixation: math.hypot(*fixation.target[2:]))
    found: list[Fit] = []
    for azimuth_sd in (-1.0, 0.0, 1.0):
        vector = known.mean.copy()
        vector[0] += azimuth_sd * known.sd[0]
        vector[5:7] = central.x_px, central.y_px
        found.append(_fit_from(vector, fixations, known, settings))
    return min(found, key=lambda one: one.cost)


class _Evidence(NamedTuple):
    """What the fixations show, as arrays of one row a fixation."""

    targets: Floats  # (n, 2) rad
    seen_px: Floats  # (n, 2)
    errors: Floats  # (n,) rad, of aim and rest together
    shapes: Floats  # (n, 2), NaN where the outline was not seen
    turns: Floats  # (n,) rad, NaN where the iris was not read


def _evidence(fixations: Sequence[Fixation], settings: FitSettings) -> _Evidence:
    unrest_deg = np.array([fixation.standard_error_deg for fixation in fixations])
    aim_deg = settings.aim_deg if unrest_deg.max() > settings.still_eye_deg else settings.still_aim_deg
    return _Evidence(
        np.radians([fixation.target[2:] for fixation in fixations]),
        np.array([(fixation.x_px, fixation.y_px) for fixation in fixations]),
        np.radians(np.hypot(aim_deg, unrest_deg)),
        np.array([fixation.shape for fixation in fixations]),
        np.radians([fixation.rotation_deg for fixation in fixations]),
    )


def _misfit(trial: Floats, whiten: Floats, seen: _Evidence, known: Prior, settings: FitSettings) -> Floats:
    """Residuals in SD: places (2 n), then outlines, then irises, then the priors (14)."""
    place = np.einsum("nij,nj->ni", whiten, picture_position(trial, seen.targets) - seen.seen_px)
    shaped, turned = np.isfinite(seen.shapes[:, 0]), np.isfinite(seen.turns)
    shape = (pupil_shape(trial, seen.targets[shaped]) - seen.shapes[shaped]) / settings.shape_sd
    looks = seen.targets[turned]
    turn = seen.turns[turned] - iris_rotation(trial, looks, listing_torsion_rad(looks))
    turn = (turn - np.median(turn) if turned.any() else turn) / math.radians(settings.listing_deg)
    doubtful = np.concatenate((shape.ravel(), turn))
    bounded = doubtful / np.sqrt(1.0 + (doubtful / settings.bound_sd) ** 2)
    return np.concatenate((place.ravel(), bounded, (trial - known.mean) / known.sd))


def _fit_from(vector: Floats, fixations: Sequence[Fixation], known: Prior, settings: FitSettings) -> Fit:
    """Least squares from one start; the aim errs in degrees, so its weight in pixels follows the model."""
    from scipy.optimize import least_squares  # slow to import, needed once per calibration

    seen = _evidence(fixations, settings)
    reach = settings.reach_sd * known.sd
    limits = (known.mean - reach, known.mean + reach)
    result = None
    for _ in range(3):
        whiten = np.linalg.inv(px_per_rad(vector, seen.targets)) / seen.errors[:, None, None]
        start = np.clip(vector, known.mean - 0.99 * reach, known.mean + 0.99 * reach)
        given = (whiten, seen, known, settings)
        result = least_squares(_misfit, start, bounds=limits, x_scale=known.sd, args=given, max_nfev=50)
        vector = result.x
    assert result is not None
    covariance = np.linalg.inv(result.jac.T @ result.jac)
    # How good the patient's aim was shows in places and outlines.
    data = 2 * len(seen.seen_px) + 2 * int(np.isfinite(seen.shapes[:, 0]).sum())
    covariance *= _inflation(result.fun[:data], result.jac[:data], covariance)
    return Fit(vector, covariance, 2.0 * result.cost, float(np.sum(result.fun[-PARAMETERS:] ** 2)))


def _inflation(residuals: Floats, jacobian: Floats, covariance: Floats) -> float:
    """How much larger the errors are than was assumed (at least 1), four assumed ones counted in."""
    freedom = len(residuals) - float(np.einsum("ij,jk,ik->", jacobian, covariance, jacobian))
    return max(1.0, (4.0 + float(residuals @ residuals)) / (4.0 + freedom))


def listing_torsion_rad(gaze_rad: Floats) -> Floats:
    """(n,) Fick torsion of an eye that obeys Listing's law about straight ahead (clinical.md 4)."""
    return 2.0 * np.arctan(np.tan(gaze_rad[:, 0] / 2.0) * np.tan(gaze_rad[:, 1] / 2.0))


def px_per_rad(vector: Floats, gaze_rad: Floats) -> Floats:
    """(n, 2, 2) how far the pupil moves in the picture (x, y) for a turn (horizontal, vertical)."""
    step = 1e-4
    columns = [
        (picture_position(vector, gaze_rad + turn) - picture_position(vector, gaze_rad - turn)) / (2.0 * step)
        for turn in (np.array([step, 0.0]), np.array([0.0, step]))
    ]
    return np.stack(columns, axis=-1)


def gaze_standard_error_rad(vector: Floats, covariance: Floats, gaze_rad: Floats) -> Floats:
    """(n, 2) SD of converted gaze (horizontal, vertical) that the model's own uncertainty leaves."""
    sd = np.sqrt(np.diag(covariance))
    columns = []
    for i in range(PARAMETERS):
        step = np.zeros(PARAMETERS)
        step[i] = 1e-3 * sd[i]
        moved = picture_position(vector + step, gaze_rad) - picture_position(vector - step, gaze_rad)
        columns.append(moved / (2e-3 * sd[i]))
    turn = np.linalg.solve(px_per_rad(vector, gaze_rad), np.stack(columns, axis=-1))
    return np.sqrt(np.einsum("nij,jk,nik->ni", turn, covariance, turn))
