"""Pixels to degrees against an exact ray trace of random eyes before cameras up to 30 deg off their axis."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from capture.calibration import Calibration, calibrate, default_calibration, degrees, standard_error_deg
from capture.errors import CalibrationError
from capture.profile import EyeView, MountGeometry
from capture.samples import SAMPLE_DTYPE, Target
from tests.capture.calibrated_eye import UNKNOWN, circles, converted, quality
from tests.capture.ray_traced_eye import (
    EIGHT,
    FIVE,
    SIZE_PX,
    THREE,
    RayTracedEye,
    exact_look,
    said_at,
    samples_of,
    view_of,
)


@pytest.mark.parametrize("with_outline", [True, False])
@pytest.mark.parametrize("off_axis_deg", [0.0, 10.0, 20.0, 30.0])
def test_five_exact_targets_give_degrees_within_20_deg_of_gaze(
    off_axis_deg: float, with_outline: bool
) -> None:
    for seed in range(3):
        eye = RayTracedEye.random(np.random.default_rng(int(off_axis_deg) + seed), off_axis_deg)
        calibration = calibrate(*exact_look(eye, FIVE, with_outline), view_of(eye), UNKNOWN, SIZE_PX)
        assert (calibration.grade, calibration.direction) == ("good", "proven")
        truth = circles(20.0)
        rms_deg, gain, cross_talk = quality(
            converted(calibration, samples_of(eye, truth, truth[:, 0])), truth
        )
        assert rms_deg <= 0.25
        assert gain <= 0.01
        assert cross_talk <= 0.01


def test_degrees_stay_sane_out_to_30_deg() -> None:
    for seed in range(4):
        eye = RayTracedEye.random(np.random.default_rng(40 + seed))
        calibration = calibrate(*exact_look(eye, FIVE), view_of(eye), UNKNOWN, SIZE_PX)
        truth = circles(30.0)
        said = converted(calibration, samples_of(eye, truth, truth[:, 0]))
        rms_deg, gain, cross_talk = quality(said, truth)
        assert rms_deg <= 0.5
        assert gain <= 0.02
        assert cross_talk <= 0.02


def test_three_targets_are_enough_for_degrees_and_are_called_usable() -> None:
    for seed in range(5):
        eye = RayTracedEye.random(np.random.default_rng(60 + seed))
        calibration = calibrate(*exact_look(eye, THREE), view_of(eye), UNKNOWN, SIZE_PX)
        assert calibration.grade == "usable"
        assert "3 targets cannot show an error" in calibration.reason
        truth = circles(20.0)
        rms_deg, gain, _ = quality(converted(calibration, samples_of(eye, truth, truth[:, 0])), truth)
        assert rms_deg <= 0.5
        assert gain <= 0.03


def test_a_measured_mount_makes_three_targets_without_outline_better() -> None:
    errors: dict[bool, list[float]] = {True: [], False: []}
    for seed in range(5):
        eye = RayTracedEye.random(np.random.default_rng(80 + seed), off_axis_deg=28.0)
        mount = MountGeometry(eye.azimuth_deg, eye.elevation_deg, eye.distance - 12.0)
        truth = circles(20.0)
        rows = samples_of(eye, truth, truth[:, 0])
        for measured in (True, False):
            look = exact_look(eye, THREE, with_outline=False)
            look[1]["rotation_deg"] = np.nan
            calibration = calibrate(*look, view_of(eye), mount if measured else UNKNOWN, SIZE_PX)
            errors[measured].append(quality(converted(calibration, rows), truth)[0])
    assert np.mean(errors[True]) < 0.5 * np.mean(errors[False])


@pytest.mark.parametrize("places", [((0, 0), (10, 0)), ((0, 0), (10, 0), (-10, 0), (15, 0)), ((0, 0),) * 4])
def test_two_targets_or_a_line_of_them_are_refused(places: tuple[tuple[float, float], ...]) -> None:
    eye = RayTracedEye(temple=-1)
    calibration = calibrate(*exact_look(eye, places), view_of(eye), UNKNOWN, SIZE_PX)
    assert not calibration.calibrated
    assert (calibration.grade, calibration.direction) == ("refused", "unproven")
    assert "needs" in calibration.reason
    assert [row.used for row in calibration.targets] == [False] * len(places)


def test_an_eye_that_was_never_seen_is_refused() -> None:
    targets, rows = exact_look(RayTracedEye(temple=1), FIVE)
    rows["x_px"] = np.nan
    for seen in (rows, rows[:0]):
        calibration = calibrate(targets, seen, EyeView("left"), UNKNOWN, SIZE_PX)
        assert (calibration.calibrated, calibration.grade) == (False, "refused")
    assert np.isnan(converted(calibration, rows)).all()


def test_noise_holes_and_nonsense_are_never_a_calibration_and_never_an_exception() -> None:
    for seed in range(40):
        rng = np.random.default_rng(seed)
        rows = np.zeros(int(rng.choice([1, 2, 3, 30, 400])), SAMPLE_DTYPE)
        rows["time_s"] = np.arange(len(rows)) / rng.choice([30.0, 250.0]) if seed % 5 else 1.0
        for name, middle in (("x_px", 160.0), ("y_px", 120.0)):
            rows[name] = middle + rng.normal(0.0, rng.choice([1e-9, 5.0, 60.0, 1e4]), len(rows))
        rows["x_px"][rng.random(len(rows)) < 0.2] = np.nan
        for name in ("major_px", "minor_px", "rotation_deg", "angle_deg"):
            rows[name] = rng.uniform(0.0, 30.0, len(rows))
        rows["visible_share"] = rng.random(len(rows))
        times = np.sort(rng.uniform(0.0, 2.0, 8))
        targets = [Target(*times[i : i + 2], *rng.uniform(-30.0, 30.0, 2)) for i in range(7)]
        calibration = calibrate(targets, rows, EyeView("left"), UNKNOWN, SIZE_PX)
        assert calibration.grade == "refused"
        assert len(calibration.summary().splitlines()) == 8
        assert converted(calibration, rows).shape == (len(rows), 3)


def test_samples_of_another_kind_are_an_error() -> None:
    with pytest.raises(CalibrationError, match="SAMPLE_DTYPE"):
        calibrate((), np.zeros(3), EyeView("right"), UNKNOWN, SIZE_PX)


@pytest.mark.parametrize(("number", "instead"), [(1, (4.0, 3.0)), (4, (-9.0, -6.0)), (6, (0.0, 0.0))])
def test_a_target_that_was_not_looked_at_is_refused_by_name(
    number: int, instead: tuple[float, float]
) -> None:
    eye = RayTracedEye.random(np.random.default_rng(100 + number))
    looked = list(EIGHT)
    looked[number] = instead
    targets, rows = exact_look(eye, tuple(looked))
    shown = said_at(targets, EIGHT)
    calibration = calibrate(shown, rows, view_of(eye), UNKNOWN, SIZE_PX)
    assert [row.used for row in calibration.targets] == [i != number for i in range(8)]
    assert "from where the other targets put it" in calibration.targets[number].reason
    assert calibration.grade == "good"
    truth = circles(20.0)
    assert quality(converted(calibration, samples_of(eye, truth, truth[:, 0])), truth)[0] < 0.3


def test_a_misread_iris_or_outline_does_not_spoil_a_good_place() -> None:
    eye = RayTracedEye.random(np.random.default_rng(118))
    truth = circles(20.0)
    seen = samples_of(eye, truth, truth[:, 0])
    targets, rows = exact_look(eye, EIGHT)
    good = quality(converted(calibrate(targets, rows, view_of(eye), UNKNOWN, SIZE_PX), seen), truth)[0]
    rows["rotation_deg"][48:96] += 9.0
    rows["minor_px"][192:240] *= 0.8
    calibration = calibrate(targets, rows, view_of(eye), UNKNOWN, SIZE_PX)
    assert calibration.grade == "good"
    assert quality(converted(calibration, seen), truth)[0] < good + 0.1


def test_targets_that_contradict_each_other_are_refused() -> None:
    eye = RayTracedEye.random(np.random.default_rng(120))
    targets, rows = exact_look(eye, EIGHT)
    wrong = ((0, 0), (10, 0), (0, 15), (-10, 0), (8, -8), (-7, 10), (0, -10), (9, 9))
    shown = said_at(targets, wrong)
    calibration = calibrate(shown, rows, view_of(eye), UNKNOWN, SIZE_PX)
    assert (calibration.calibrated, calibration.grade) == (False, "refused")
    assert "Repeat the calibration" in calibration.reason
    assert "No fit on" in calibration.reason  # one of them is where no eye of this fit can look
    assert calibration.worst_residual_deg is None


def test_one_wrong_target_of_four_is_noticed_though_nobody_knows_which() -> None:
    """Some eye fits any four targets, but not one that exists; none of the four is thrown out at will."""
    eye = RayTracedEye.random(np.random.default_rng(121))
    looked = ((10, 0), (-10, 0), (0, 10), (6, -10))
    targets, rows = exact_look(eye, looked, with_outline=False)
    rows["rotation_deg"] = np.nan
    shown = said_at(targets, (*looked[:3], (0, -10)))
    calibration = calibrate(shown, rows, view_of(eye), UNKNOWN, SIZE_PX)
    assert all(row.used for row in calibration.targets)
    assert (calibration.calibrated, calibration.grade) == (False, "refused")


def test_targets_of_another_clock_are_called_so() -> None:
    targets, rows = exact_look(RayTracedEye.random(np.random.default_rng(160)), EIGHT)
    rows["time_s"] += 1000.0
    calibration = calibrate(targets, rows, EyeView("right"), UNKNOWN, SIZE_PX)
    assert calibration.grade == "refused"
    assert "No target lies within the video (1000.0 to 10" in calibration.reason
    assert {row.reason for row in calibration.targets} == {"it lies outside the video's time"}


def test_a_calibration_survives_storage_and_speaks() -> None:
    eye = RayTracedEye.random(np.random.default_rng(160))
    targets, rows = exact_look(eye, EIGHT)
    rows["x_px"][96:150] = np.nan
    calibration = calibrate(targets, rows, view_of(eye), UNKNOWN, SIZE_PX)
    again = msgspec.json.decode(msgspec.json.encode(calibration), type=Calibration)
    assert again == calibration
    np.testing.assert_array_equal(converted(again, rows), converted(calibration, rows))
    lines = calibration.summary().splitlines()
    assert len(lines) == 9
    assert "calibration good, direction proven" in lines[0]
    assert "target (15, 0) deg, not used: the pupil was never steady" in lines[3]
    assert calibration.targets[2].residual_horizontal_deg is None


def test_without_targets_degrees_are_those_of_an_average_eye_and_marked() -> None:
    """By hand: radius 11.5 mm, 0.1 mm/px, 10 deg to the right: 11.5 sin(10 deg) / 0.1 = 20 px to the left."""
    mount = MountGeometry(azimuth_temporal_deg=0.0, elevation_deg=0.0, distance_mm=500.0, mm_per_px=0.1)
    calibration = default_calibration(EyeView("right"), mount, SIZE_PX)
    assert not calibration.calibrated
    assert (calibration.grade, calibration.direction) == ("default", "unproven")
    assert "uncalibrated" in calibration.reason
    said = degrees(calibration, np.array([159.5, 139.5]), np.array([119.5, 119.5]), np.array([0.0, -2.0]))
    np.testing.assert_allclose(said[0], 0.0, atol=0.3)
    np.testing.assert_allclose(said[1] - said[0], (10.0, 0.0, 2.0), atol=0.6)
    error = standard_error_deg(calibration, np.array([159.5]), np.array([119.5]))
    assert (error > 5.0).all()


def test_without_targets_straight_ahead_is_the_middle_of_what_was_seen() -> None:
    rows = exact_look(RayTracedEye(temple=-1, aim=(7.0, 3.0, 5.0)), FIVE)[1]
    calibration = calibrate((), rows, EyeView("right"), UNKNOWN, SIZE_PX)
    assert calibration.grade == "default"
    said = converted(calibration, rows)
    assert np.abs(np.median(said[:, :2], axis=0)).max() < 1.0
    assert np.isfinite(said).all()


def test_where_no_pupil_is_there_are_no_degrees() -> None:
    calibration = default_calibration(EyeView("right"), UNKNOWN, SIZE_PX)
    nothing, place = np.array([np.nan, 5000.0]), np.array([100.0, 100.0])
    assert np.isnan(degrees(calibration, nothing, place, place)).all()
    assert np.isnan(standard_error_deg(calibration, nothing, place)).all()
    assert degrees(calibration, place[:0], place[:0], place[:0]).shape == (0, 3)
