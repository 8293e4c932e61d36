"""Pixels to degrees against an exact ray trace of random eyes before cameras up to 30 deg off their axis."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from numpy.typing import NDArray

from capture.calibration import Calibration, calibrate, default_calibration, degrees, standard_error_deg
from capture.direction import FlipFound
from capture.errors import CalibrationError
from capture.grading import GradeSettings, TargetResidual, judge
from capture.profile import EyeView, MountGeometry
from capture.samples import SAMPLE_DTYPE, Target
from tests.capture.ray_traced_eye import FIVE, SIZE_PX, RayTracedEye, exact_look, samples_of
from tests.capture.test_direction import FLIPS, delivered, words

EIGHT = ((0, 0), (10, 0), (15, 0), (-10, 0), (-15, 0), (0, 10), (0, -10), (0, 0))
THREE = ((0, 0), (10, 0), (0, 10))
UNKNOWN = MountGeometry()
PROVEN = FlipFound("proven", FLIPS[0], "the eye moved as the targets asked")


def _view(eye: RayTracedEye) -> EyeView:
    return EyeView("right" if eye.temple < 0 else "left")


def _circles(radius_deg: float, torsion_deg: float = 0.0) -> NDArray[np.float64]:
    """(19, 3) gaze within a radius."""
    around = np.radians(np.arange(0.0, 360.0, 40.0))
    rings = [radius_deg * share * np.column_stack((np.cos(around), np.sin(around))) for share in (0.5, 1.0)]
    return np.pad(np.vstack((np.zeros((1, 2)), *rings)), ((0, 0), (0, 1)), constant_values=torsion_deg)


def _converted(calibration: Calibration, rows: NDArray[np.void]) -> NDArray[np.float64]:
    return degrees(calibration, rows["x_px"], rows["y_px"], rows["rotation_deg"])


def _quality(said: NDArray[np.float64], truth: NDArray[np.float64]) -> tuple[float, float, float]:
    """RMS error (deg) of horizontal and vertical, largest gain error, largest cross-talk."""
    design = np.column_stack((truth[:, :2], np.ones(len(truth))))
    slopes = np.linalg.lstsq(design, said[:, :2], rcond=None)[0][:2]
    rms = float(np.sqrt(np.mean((said - truth)[:, :2] ** 2)))
    return rms, float(np.abs(np.diag(slopes) - 1.0).max()), float(max(abs(slopes[0, 1]), abs(slopes[1, 0])))


@pytest.mark.parametrize("with_outline", [True, False])
@pytest.mark.parametrize("off_axis_deg", [0.0, 10.0, 20.0, 30.0])
def test_five_exact_targets_give_degrees_within_20_deg_of_gaze(
    off_axis_deg: float, with_outline: bool
) -> None:
    for seed in range(3):
        eye = RayTracedEye.random(np.random.default_rng(int(off_axis_deg) + seed), off_axis_deg)
        calibration = calibrate(*exact_look(eye, FIVE, with_outline), _view(eye), UNKNOWN, SIZE_PX)
        assert (calibration.grade, calibration.direction) == ("good", "proven")
        truth = _circles(20.0)
        rms_deg, gain, cross_talk = _quality(
            _converted(calibration, samples_of(eye, truth, truth[:, 0])), truth
        )
        assert rms_deg <= 0.25
        assert gain <= 0.01
        assert cross_talk <= 0.01


def test_degrees_stay_sane_out_to_30_deg() -> None:
    for seed in range(4):
        eye = RayTracedEye.random(np.random.default_rng(40 + seed))
        calibration = calibrate(*exact_look(eye, FIVE), _view(eye), UNKNOWN, SIZE_PX)
        truth = _circles(30.0)
        said = _converted(calibration, samples_of(eye, truth, truth[:, 0]))
        rms_deg, gain, cross_talk = _quality(said, truth)
        assert rms_deg <= 0.5
        assert gain <= 0.02
        assert cross_talk <= 0.02


def test_three_targets_are_enough_for_degrees_and_are_called_usable() -> None:
    for seed in range(5):
        eye = RayTracedEye.random(np.random.default_rng(60 + seed))
        calibration = calibrate(*exact_look(eye, THREE), _view(eye), UNKNOWN, SIZE_PX)
        assert calibration.grade == "usable"
        assert "3 targets cannot show an error" in calibration.reason
        truth = _circles(20.0)
        rms_deg, gain, _ = _quality(_converted(calibration, samples_of(eye, truth, truth[:, 0])), truth)
        assert rms_deg <= 0.5
        assert gain <= 0.03


def test_a_measured_mount_makes_three_targets_without_outline_better() -> None:
    errors: dict[bool, list[float]] = {True: [], False: []}
    for seed in range(5):
        eye = RayTracedEye.random(np.random.default_rng(80 + seed), off_axis_deg=28.0)
        mount = MountGeometry(eye.azimuth_deg, eye.elevation_deg, eye.distance - 12.0)
        truth = _circles(20.0)
        rows = samples_of(eye, truth, truth[:, 0])
        for measured in (True, False):
            look = exact_look(eye, THREE, with_outline=False)
            look[1]["rotation_deg"] = np.nan
            calibration = calibrate(*look, _view(eye), mount if measured else UNKNOWN, SIZE_PX)
            errors[measured].append(_quality(_converted(calibration, rows), truth)[0])
    assert np.mean(errors[True]) < 0.5 * np.mean(errors[False])


@pytest.mark.parametrize("places", [((0, 0), (10, 0)), ((0, 0), (10, 0), (-10, 0), (15, 0)), ((0, 0),) * 4])
def test_two_targets_or_a_line_of_them_are_refused(places: tuple[tuple[float, float], ...]) -> None:
    eye = RayTracedEye(temple=-1)
    calibration = calibrate(*exact_look(eye, places), _view(eye), UNKNOWN, SIZE_PX)
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
    assert np.isnan(_converted(calibration, rows)).all()


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
        assert _converted(calibration, rows).shape == (len(rows), 3)


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
    shown = tuple(Target(*one[:2], *place) for one, place in zip(targets, EIGHT, strict=True))
    calibration = calibrate(shown, rows, _view(eye), UNKNOWN, SIZE_PX)
    assert [row.used for row in calibration.targets] == [i != number for i in range(8)]
    assert "from where the other targets put it" in calibration.targets[number].reason
    assert calibration.grade == "good"
    truth = _circles(20.0)
    assert _quality(_converted(calibration, samples_of(eye, truth, truth[:, 0])), truth)[0] < 0.3


def test_a_misread_iris_or_outline_does_not_spoil_a_good_place() -> None:
    eye = RayTracedEye.random(np.random.default_rng(118))
    truth = _circles(20.0)
    seen = samples_of(eye, truth, truth[:, 0])
    targets, rows = exact_look(eye, EIGHT)
    good = _quality(_converted(calibrate(targets, rows, _view(eye), UNKNOWN, SIZE_PX), seen), truth)[0]
    rows["rotation_deg"][48:96] += 9.0
    rows["minor_px"][192:240] *= 0.8
    calibration = calibrate(targets, rows, _view(eye), UNKNOWN, SIZE_PX)
    assert calibration.grade == "good"
    assert _quality(_converted(calibration, seen), truth)[0] < good + 0.1


def test_targets_that_contradict_each_other_are_refused() -> None:
    eye = RayTracedEye.random(np.random.default_rng(120))
    targets, rows = exact_look(eye, EIGHT)
    wrong = ((0, 0), (10, 0), (0, 15), (-10, 0), (8, -8), (-7, 10), (0, -10), (9, 9))
    shown = tuple(Target(*one[:2], *place) for one, place in zip(targets, wrong, strict=True))
    calibration = calibrate(shown, rows, _view(eye), UNKNOWN, SIZE_PX)
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
    shown = tuple(
        Target(*one[:2], *place) for one, place in zip(targets, (*looked[:3], (0, -10)), strict=True)
    )
    calibration = calibrate(shown, rows, _view(eye), UNKNOWN, SIZE_PX)
    assert all(row.used for row in calibration.targets)
    assert (calibration.calibrated, calibration.grade) == (False, "refused")


def test_an_unusual_eye_is_named_and_an_impossible_one_refused() -> None:
    rows = [_residual(0.1, place) for place in ((0.0, 0.0), (10.0, 0.0), (-10.0, 0.0), (0.0, 10.0))]
    grades = [judge(rows, strain, PROVEN, GradeSettings()) for strain in (10.0, 20.0, 40.0)]
    assert [one.grade for one in grades] == ["good", "usable", "refused"]
    assert "unusual eye or camera" in grades[1].reason


def _in_picture(view: EyeView, rows: NDArray[np.void]) -> NDArray[np.void]:
    """The same samples as a camera delivers them whose picture `view` brings upright."""
    out = rows.copy()
    middle = (np.array(SIZE_PX) - 1) / 2
    xy = delivered(view, np.column_stack((rows["x_px"], rows["y_px"])) - middle)
    out["x_px"], out["y_px"] = xy.T
    angle = np.radians(rows["angle_deg"])
    ends = delivered(view, np.column_stack((np.cos(angle), np.sin(angle)))) - delivered(
        view, np.zeros((1, 2))
    )
    out["angle_deg"] = np.degrees(np.arctan2(ends[:, 1], ends[:, 0])) % 180.0
    out["rotation_deg"] = -rows["rotation_deg"] if view.mirrored else rows["rotation_deg"]
    return out


def test_the_same_eye_in_any_picture_has_the_same_degrees() -> None:
    eye = RayTracedEye.random(np.random.default_rng(130))
    targets, rows = exact_look(eye, EIGHT)
    truth = _circles(20.0, 3.0)
    moved = samples_of(eye, truth, truth[:, 0])
    said = []
    for flip in FLIPS:
        view = msgspec.structs.replace(flip, eye=_view(eye).eye)
        calibration = calibrate(targets, _in_picture(view, rows), view, UNKNOWN, SIZE_PX)
        assert calibration.direction == "proven"
        said.append(_converted(calibration, _in_picture(view, moved)))
    np.testing.assert_allclose(said, np.broadcast_to(said[0], np.shape(said)), atol=1e-4)


@pytest.mark.parametrize("truth_view", FLIPS, ids=words)
def test_a_wrongly_stated_picture_is_contradicted_and_torsion_withheld(truth_view: EyeView) -> None:
    eye = RayTracedEye(temple=-1, azimuth_deg=12.0, elevation_deg=-8.0, roll_deg=9.0)
    targets, rows = exact_look(eye, FIVE)
    picture = _in_picture(truth_view, rows)
    found = [calibrate(targets, picture, stated, UNKNOWN, SIZE_PX) for stated in FLIPS]
    assert [one.direction == "proven" for one in found] == [stated == truth_view for stated in FLIPS]
    assert sum(one.direction == "contradicted" for one in found) == 7
    gaze = np.repeat([target[2:] for target in targets], 48, axis=0)
    for one, stated in zip(found, FLIPS, strict=True):
        assert (one.view, one.stated_view, one.calibrated) == (truth_view, stated, True)
        said = _converted(one, picture)
        np.testing.assert_allclose(said[:, :2], gaze, atol=0.2)  # the targets say what is right and up
        assert np.isnan(said[:, 2]).all() == (stated != truth_view)


@pytest.mark.parametrize("mirrored", [False, True])
def test_torsion_is_fick_torsion_from_the_centre_target(mirrored: bool) -> None:
    """Within 5 deg of gaze 0.08 deg RMS, out to 20 deg 0.25 deg; slope within 3 %."""
    rng = np.random.default_rng(140)
    for off_axis_deg in (5.0, 18.0, 30.0):
        eye = RayTracedEye.random(rng, off_axis_deg)
        view = EyeView(_view(eye).eye, mirrored=mirrored)
        targets, rows = exact_look(eye, EIGHT)
        calibration = calibrate(targets, _in_picture(view, rows), view, UNKNOWN, SIZE_PX)
        for radius_deg, limit_deg in ((5.0, 0.08), (20.0, 0.25)):
            truth = np.vstack([_circles(radius_deg, t) for t in (-5.0, 0.0, 5.0)])
            said = _converted(calibration, _in_picture(view, samples_of(eye, truth, truth[:, 0])))
            assert np.sqrt(np.mean((said[:, 2] - truth[:, 2]) ** 2)) <= limit_deg
            assert np.polyfit(truth[:, 2], said[:, 2], 1)[0] == pytest.approx(1.0, abs=0.03)


def test_torsion_moves_horizontal_and_vertical_less_than_it_moves_the_pupil() -> None:
    """The pupil lies some 3 deg off the line of sight: 5 deg of torsion moves it by about 0.3 deg."""
    left, corrected = [], []
    for seed in range(6):
        eye = RayTracedEye.random(np.random.default_rng(150 + seed))
        calibration = calibrate(*exact_look(eye, FIVE), _view(eye), UNKNOWN, SIZE_PX)
        rows = samples_of(eye, np.array([(0.0, 0.0, -5.0), (0.0, 0.0, 5.0)]), np.arange(2.0))
        corrected.append(np.ptp(_converted(calibration, rows)[:, :2], axis=0))
        rows["rotation_deg"] = np.nan
        left.append(np.ptp(_converted(calibration, rows)[:, :2], axis=0))
    assert np.mean(left) > 0.15
    assert np.mean(corrected) < 0.6 * np.mean(left)


def test_missing_torsion_stays_missing_and_makes_no_step() -> None:
    eye = RayTracedEye(temple=-1)
    calibration = calibrate(*exact_look(eye, FIVE), _view(eye), UNKNOWN, SIZE_PX)
    rows = samples_of(eye, np.full((9, 3), (2.0, 1.0, 8.0)), np.arange(9.0))
    rows["rotation_deg"][3:6] = np.nan
    said = _converted(calibration, rows)
    assert np.isnan(said[:, 2]).tolist() == [False] * 3 + [True] * 3 + [False] * 3
    assert np.ptp(said[:, :2], axis=0).max() < 1e-6


def test_torsion_without_a_zero_stays_out_of_the_other_axes() -> None:
    """A reference somewhere else (here 40 deg off) must not move the pupil's place."""
    eye = RayTracedEye(temple=-1, azimuth_deg=20.0)
    targets, rows = exact_look(eye, FIVE)
    seen = rows.copy()
    rows["rotation_deg"] = np.nan
    calibration = calibrate(targets, rows, _view(eye), UNKNOWN, SIZE_PX)
    assert not calibration.torsion_referenced
    without = _converted(calibration, rows)
    seen["rotation_deg"] += 40.0
    np.testing.assert_array_equal(_converted(calibration, seen)[:, :2], without[:, :2])


def test_the_stated_error_covers_the_true_one() -> None:
    """Patients who miss each target by 0.2 deg (SD, each axis): error over stated error is near 1."""
    ratios = {}
    for places in (EIGHT, THREE):
        ratios[places] = []
        for seed in range(12):
            rng = np.random.default_rng(200 + seed)
            eye = RayTracedEye.random(rng)
            looked = tuple((h + rng.normal(0.0, 0.2), v + rng.normal(0.0, 0.2)) for h, v in places)
            targets, rows = exact_look(eye, looked, rng=rng)
            shown = tuple(Target(*one[:2], *place) for one, place in zip(targets, places, strict=True))
            calibration = calibrate(shown, rows, _view(eye), UNKNOWN, SIZE_PX)
            truth = _circles(15.0)
            seen = samples_of(eye, truth, truth[:, 0])
            error = (_converted(calibration, seen) - truth)[:, :2]
            ratios[places].append(error / standard_error_deg(calibration, seen["x_px"], seen["y_px"]))
        assert 0.3 < np.sqrt(np.mean(np.square(ratios[places]))) < 1.3
        assert np.abs(ratios[places]).max() < 3.5


def test_the_stated_error_grows_with_fewer_targets_and_away_from_them() -> None:
    eye = RayTracedEye(temple=-1, azimuth_deg=15.0)
    truth = np.array([(0.0, 0.0, 0.0), (25.0, 0.0, 0.0)])
    rows = samples_of(eye, truth, truth[:, 0])
    stated = [
        standard_error_deg(
            calibrate(*exact_look(eye, places), _view(eye), UNKNOWN, SIZE_PX), rows["x_px"], rows["y_px"]
        )
        for places in (EIGHT, THREE)
    ]
    assert (stated[1] > stated[0]).all()
    assert stated[0][1, 0] > stated[0][0, 0]


@pytest.mark.parametrize("slip_deg", [1.3, 3.0])
def test_goggles_that_moved_are_told_by_the_repeated_centre(slip_deg: float) -> None:
    eye = RayTracedEye(temple=-1)
    targets, rows = exact_look(eye, (*EIGHT[:7], (slip_deg, 0.0)))
    shown = tuple(Target(*one[:2], *place) for one, place in zip(targets, EIGHT, strict=True))
    calibration = calibrate(shown, rows, _view(eye), UNKNOWN, SIZE_PX)
    assert calibration.grade == "usable"
    assert "goggles may have moved" in calibration.reason


def _residual(off_deg: float, place: tuple[float, float]) -> TargetResidual:
    return TargetResidual(0.0, 1.0, *place, off_deg, 0.0, 0.05, 0.9, "steady", True, "")


@pytest.mark.parametrize(
    ("off_deg", "grade"),
    [
        ((0.4, 0.4, 0.4, 0.4), "good"),
        ((0.99, 0.3, 0.3, 0.3), "good"),
        ((0.5, 0.5, 0.5, 0.6), "usable"),  # mean above 0.5
        ((1.01, 0.1, 0.1, 0.1), "usable"),  # worst above 1.0
        ((1.9, 0.5, 0.5, 0.5), "usable"),
        ((2.01, 0.1, 0.1, 0.1), "refused"),  # worst above 2.0
        ((1.1, 1.1, 1.1, 1.1), "refused"),  # mean above 1.0
    ],
)
def test_residuals_are_graded_by_mean_and_worst(off_deg: tuple[float, ...], grade: str) -> None:
    places = ((0.0, 0.0), (10.0, 0.0), (-12.0, 0.0), (0.0, 10.0))
    judged = judge(
        [_residual(*row) for row in zip(off_deg, places, strict=True)], 5.0, PROVEN, GradeSettings()
    )
    assert judged.grade == grade
    assert judged.valid_horizontal_deg == (-17.0, 15.0)
    assert judged.valid_vertical_deg == (-5.0, 15.0)


def test_where_no_eye_can_look_there_is_no_residual() -> None:
    rows = [_residual(0.1, (10.0 * n, 5.0 * (n % 2))) for n in range(4)]
    rows[2] = msgspec.structs.replace(rows[2], residual_horizontal_deg=None, residual_vertical_deg=None)
    judged = judge(rows, 5.0, PROVEN, GradeSettings())
    assert (judged.grade, judged.mean_deg, judged.worst_deg) == ("refused", None, None)
    assert "Repeat the calibration. No fit on 4 of 4 targets" in judged.reason


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
    calibration = calibrate(targets, rows, _view(eye), UNKNOWN, SIZE_PX)
    again = msgspec.json.decode(msgspec.json.encode(calibration), type=Calibration)
    assert again == calibration
    np.testing.assert_array_equal(_converted(again, rows), _converted(calibration, rows))
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
    said = _converted(calibration, rows)
    assert np.abs(np.median(said[:, :2], axis=0)).max() < 1.0
    assert np.isfinite(said).all()


def test_where_no_pupil_is_there_are_no_degrees() -> None:
    calibration = default_calibration(EyeView("right"), UNKNOWN, SIZE_PX)
    nothing, place = np.array([np.nan, 5000.0]), np.array([100.0, 100.0])
    assert np.isnan(degrees(calibration, nothing, place, place)).all()
    assert np.isnan(standard_error_deg(calibration, nothing, place)).all()
    assert degrees(calibration, place[:0], place[:0], place[:0]).shape == (0, 3)


@pytest.mark.parametrize("seed", range(3))
def test_angles_typed_twice_as_large_are_refused(seed: int) -> None:
    eye = RayTracedEye.random(np.random.default_rng(700 + seed))
    targets, rows = exact_look(eye, FIVE)
    assert calibrate(targets, rows, _view(eye), UNKNOWN, SIZE_PX).grade == "good"
    doubled = tuple(Target(*one[:2], 2 * one[2], 2 * one[3]) for one in targets)
    calibration = calibrate(doubled, rows, _view(eye), UNKNOWN, SIZE_PX)
    assert (calibration.calibrated, calibration.grade) == (False, "refused")
    assert "half the stated angles" in calibration.reason
    assert calibration.summary().lower().count("refused") == 1


@pytest.mark.parametrize(
    ("looked", "words"), [(1.5, "one and a half times the stated"), (2 / 3, "two thirds of the stated")]
)
def test_targets_at_another_distance_than_stated_are_told(looked: float, words: str) -> None:
    """With a measured mount, the eye looks at 1.5 times or two thirds of the stated angles."""
    eye = RayTracedEye.random(np.random.default_rng(720))
    scale_mm_per_px = (eye.distance - 10.5) / eye.focal_px
    mount = MountGeometry(eye.azimuth_deg, eye.elevation_deg, eye.distance - 11.0, scale_mm_per_px)
    targets, rows = exact_look(eye, tuple((looked * h, looked * v) for h, v in FIVE))
    assert calibrate(targets, rows, _view(eye), mount, SIZE_PX).grade == "good"
    stated = tuple(Target(*one[:2], *place) for one, place in zip(targets, FIVE, strict=True))
    calibration = calibrate(stated, rows, _view(eye), mount, SIZE_PX)
    assert calibration.grade != "good"
    assert words in calibration.reason
