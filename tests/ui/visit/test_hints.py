"""A slip of the goggles is told while the patient is there, and not where there was none."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from capture.calibration import default_calibration
from capture.profile import EyeView, MountGeometry
from capture.samples import SAMPLE_DTYPE
from ui.visit.hints import _last_slip
from ui.visit.live_eyes import LiveEye

RATE_HZ, MM_PER_PX = 60.0, 0.1
SLIP_MM = 1.5


def live_eye(slip_mm: float) -> LiveEye:
    """25 s of looking around; the goggles slip at 12 s. The reflection goes half as far as the pupil."""
    rng = np.random.default_rng(3)
    time_s = np.arange(0, 25, 1 / RATE_HZ)
    gaze_mm = np.repeat(rng.uniform(-1.5, 1.5, (50, 2)), 30, axis=0)[: len(time_s)]
    slipped = np.where(time_s[:, None] > 12, [slip_mm, 0.4 * slip_mm], 0.0)
    pupil = gaze_mm + slipped + 0.003 * rng.standard_normal((len(time_s), 2))
    glint = 0.5 * gaze_mm + 0.91 * slipped + 0.003 * rng.standard_normal((len(time_s), 2))
    rows = np.zeros(len(time_s), SAMPLE_DTYPE)
    rows["frame"], rows["time_s"] = np.arange(len(time_s)), time_s
    rows["x_px"], rows["y_px"] = 160 + pupil.T[0] / MM_PER_PX, 120 + pupil.T[1] / MM_PER_PX
    rows["glint_x_px"], rows["glint_y_px"] = 160 + glint.T[0] / MM_PER_PX, 120 + glint.T[1] / MM_PER_PX
    rows["glint_count"], rows["pupil_quality"], rows["visible_share"] = 2, 0.95, 1.0
    rows["major_px"] = rows["minor_px"] = 20.0
    known = default_calibration(EyeView("right"), MountGeometry(mm_per_px=MM_PER_PX), (320, 240))
    live = LiveEye("right", known)
    live.kept.add(rows)
    live.calibration = msgspec.structs.replace(known, calibrated=True, grade="good")
    return live


def test_a_slip_is_seen_with_its_size() -> None:
    slip = _last_slip(live_eye(SLIP_MM), calibrated_s=0.0)
    assert slip is not None
    assert 11.5 < slip.start_s < 12.5
    assert slip.size_mm == pytest.approx(SLIP_MM * np.hypot(1, 0.4), rel=0.15)


def test_looking_around_is_no_slip_and_a_slip_before_the_calibration_is_over() -> None:
    assert _last_slip(live_eye(0.0), 0.0) is None
    assert _last_slip(live_eye(SLIP_MM), 14.0) is None
