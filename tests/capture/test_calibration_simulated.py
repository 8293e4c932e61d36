"""Calibration on the simulated patient, whose optics and conventions were written apart from it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from capture.calibration import Calibration, calibrate, degrees
from capture.profile import EyeView, MountGeometry, Rotation
from capture.samples import SAMPLE_DTYPE, Eye, Target
from capture.simulation.camera import Camera
from capture.simulation.painter import EyeState, Painter
from capture.simulation.still import draw_eye
from tests.capture.ray_traced_eye import FIVE

CAMERAS: tuple[tuple[Eye, float, float, bool, Rotation], ...] = (
    ("right", 0.0, -5.0, True, 0),
    ("left", 30.0, 0.0, False, 90),
    ("left", -12.0, 22.0, True, 270),
    ("right", 15.0, -25.0, False, 180),
)


def _rows(painter: Painter, gaze_deg: NDArray[np.float64]) -> NDArray[np.void]:
    truth = [painter.truth(EyeState(*(float(angle) for angle in gaze), pupil_mm=4.0)) for gaze in gaze_deg]
    rows = np.zeros(len(gaze_deg), SAMPLE_DTYPE)
    for name in ("x_px", "y_px", "major_px", "minor_px", "angle_deg", "rotation_deg"):
        rows[name] = [getattr(one, name) for one in truth]
    straight_deg = painter.truth(EyeState(pupil_mm=4.0)).rotation_deg  # the tracker's reference
    rows["rotation_deg"] = (rows["rotation_deg"] - straight_deg + 180.0) % 360.0 - 180.0
    rows["visible_share"] = rows["pupil_quality"] = rows["torsion_quality"] = 1.0
    return rows


def _calibrated(painter: Painter, view: EyeView) -> Calibration:
    """By five targets that are looked at exactly."""
    rows = np.repeat(_rows(painter, np.array([(*place, 0.0) for place in FIVE])), 48)
    rows["time_s"] = np.arange(len(rows)) / 60.0
    targets = [Target(0.8 * i, 0.8 * (i + 1), *place) for i, place in enumerate(FIVE)]
    return calibrate(targets, rows, view, MountGeometry(), painter.camera.size_px)


@pytest.mark.parametrize(("eye", "azimuth_deg", "elevation_deg", "mirrored", "turned_deg"), CAMERAS)
def test_the_simulated_patient_is_measured_in_all_three_axes(
    eye: Eye, azimuth_deg: float, elevation_deg: float, mirrored: bool, turned_deg: Rotation
) -> None:
    """Horizontal and vertical to 0.25 deg RMS within 20 deg, torsion to 0.25 deg; signs in any picture."""
    camera = Camera(
        azimuth_temporal_deg=azimuth_deg,
        elevation_deg=elevation_deg,
        mirrored=mirrored,
        rotation_deg=turned_deg,
    )
    painter = Painter(draw_eye(3, eye), camera)
    calibration = _calibrated(painter, camera.view(eye))
    assert (calibration.grade, calibration.direction) == ("good", "proven")
    around = np.radians(np.arange(0.0, 360.0, 45.0))
    truth = np.column_stack((20.0 * np.cos(around), 20.0 * np.sin(around), 5.0 * np.cos(3.0 * around)))
    seen = _rows(painter, truth)
    error = degrees(calibration, seen["x_px"], seen["y_px"], seen["rotation_deg"]) - truth
    rms = np.sqrt(np.mean(error**2, axis=0))
    assert (rms <= (0.25, 0.25, 0.25)).all()


@pytest.mark.parametrize("seed", range(6))
def test_an_eye_whose_axis_lies_to_the_nose_is_measured_as_well(seed: int) -> None:
    """Gaze to 0.25 deg and torsion to 0.15 deg RMS within 15 deg, as of usual eyes."""
    eye: Eye = "right" if seed % 2 else "left"
    usual = draw_eye(seed, eye)
    camera = Camera(azimuth_temporal_deg=6.0 * seed, elevation_deg=-12.0)
    painter = Painter(replace(usual, kappa_temporal_deg=-usual.kappa_temporal_deg), camera)
    calibration = _calibrated(painter, camera.view(eye))
    around = np.radians(np.arange(0.0, 360.0, 30.0))
    ring = np.column_stack((np.cos(around), np.sin(around), np.zeros(len(around))))
    truth = np.concatenate((7.5 * ring, 15.0 * ring))
    seen = _rows(painter, truth)
    error = degrees(calibration, seen["x_px"], seen["y_px"], seen["rotation_deg"]) - truth
    rms = np.sqrt(np.mean(error**2, axis=0))
    assert (rms <= (0.25, 0.25, 0.15)).all()
