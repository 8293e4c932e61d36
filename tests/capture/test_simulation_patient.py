"""A whole simulated visit as a source of frames, and its truth on disk."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest

from capture.errors import SourceError
from capture.samples import Frame
from capture.simulation.camera import Camera
from capture.simulation.patient import SimulatedPatient
from capture.simulation.scenario import Hold, LookAt, Nystagmus, Scenario, Slip
from capture.source import Source

SMALL = {"size": (160, 120), "rate_hz": 100.0}
VISIT = Scenario((Hold(3.0, nystagmus=Nystagmus((-20.0, 0.0, 0.0), 3.0)),), blink_every_s=1.5)


def frames(source: Source) -> list[Frame]:
    found = []
    while (frame := source.read()) is not None:
        found.append(frame)
    source.close()
    return found


def test_source_delivers_every_exposure_in_order_with_times() -> None:
    patient = SimulatedPatient(VISIT, 1, start_s=40.0, **SMALL)
    source = patient.source("right")
    found = frames(source)
    assert [frame.number for frame in found] == list(range(300))
    assert source.info.frame_count == 300
    np.testing.assert_allclose([frame.time_s for frame in found], 40.0 + np.arange(300) / 100)
    assert (source.info.width_px, source.info.height_px) == (160, 120)
    assert source.info.nominal_rate_hz == 100.0
    assert {(frame.image.shape, frame.image.dtype.name) for frame in found} == {((120, 160), "uint8")}
    assert not found[0].image.flags.writeable
    assert source.read() is None


def test_closing_ends_the_pictures() -> None:
    source = SimulatedPatient(VISIT, 1, **SMALL).source("left")
    assert source.read() is not None
    source.close()
    source.close()
    assert source.read() is None


def test_same_seed_same_pictures_other_seed_other_pictures() -> None:
    first, again, other = (
        SimulatedPatient(VISIT, seed, **SMALL).source("right").read() for seed in (1, 1, 2)
    )
    assert first is not None
    assert again is not None
    assert other is not None
    np.testing.assert_array_equal(first.image, again.image)
    assert (first.image != other.image).mean() > 0.5


def test_truth_is_where_the_pupil_is_in_each_picture() -> None:
    patient = SimulatedPatient(VISIT, 3, **SMALL)
    truth = patient.truth.frames["right"]
    y, x = np.mgrid[:120, :160]
    checked = 0
    for frame, true in zip(frames(patient.source("right")), truth, strict=True):
        if true["visible_share"] < 1 or true["blink"]:
            continue
        near = np.hypot(x - true["x_px"], y - true["y_px"]) < true["major_px"] + 2
        dark = near * (frame.image < 45)
        seen = (dark * x).sum() / dark.sum(), (dark * y).sum() / dark.sum()
        assert seen == pytest.approx((true["x_px"], true["y_px"]), abs=0.8)  # glints bite into the dark
        checked += 1
    assert checked > 150
    assert truth["blink"].any()
    assert truth["visible_share"][truth["blink"] == 1].min() == 0.0


def test_lost_exposures_show_as_jumps_and_true_times() -> None:
    patient = SimulatedPatient(VISIT, 4, lost_share=0.2, nominal_rate_hz=110.0, **SMALL)
    source = patient.source("right")
    found = frames(source)
    lost = patient.truth.frames["right"]["lost"] == 1
    assert 0.1 < lost.mean() < 0.3
    assert [frame.number for frame in found] == np.flatnonzero(~lost).tolist()
    np.testing.assert_allclose([frame.time_s for frame in found], np.flatnonzero(~lost) / 100)
    assert (source.info.nominal_rate_hz, source.info.frame_count) == (110.0, len(found))


def test_jittered_times_still_rise() -> None:
    patient = SimulatedPatient(VISIT, 5, jitter_s=0.003, **SMALL)
    times = np.array([frame.time_s for frame in frames(patient.source("left"))])
    assert (np.diff(times) > 0).all()
    assert 0.001 < (times - np.arange(300) / 100).std() < 0.003


def test_both_eyes_side_by_side_are_the_two_single_pictures() -> None:
    patient = SimulatedPatient(VISIT, 6, **SMALL)
    both = patient.both()
    assert (both.info.width_px, both.info.height_px) == (320, 120)
    picture = both.read()
    assert picture is not None
    for view in patient.both_views():
        assert view.region_px is not None
        x, y, width, height = view.region_px
        alone = patient.source(view.eye).read()
        assert alone is not None
        np.testing.assert_array_equal(picture.image[y : y + height, x : x + width], alone.image)


def test_views_and_geometry_are_those_of_the_cameras() -> None:
    camera = Camera(
        size_px=(640, 480), azimuth_temporal_deg=25, elevation_deg=-10, mirrored=True, rotation_deg=90
    )
    patient = SimulatedPatient(VISIT, 7, camera={"right": camera, "left": Camera()}, **SMALL)
    view, mount = patient.view("right"), patient.geometry("right")
    assert (view.eye, view.mirrored, view.rotation_deg) == ("right", True, 90)
    assert (mount.azimuth_temporal_deg, mount.elevation_deg, mount.distance_mm) == (25, -10, 50.0)
    assert mount.mm_per_px == pytest.approx(50.0 / (1.5 * 160))
    assert patient.view("left").mirrored is False
    frame = patient.source("right").read()
    assert frame is not None
    assert frame.image.shape == (120, 160)


def test_a_slip_moves_the_picture_of_the_eye_but_not_the_gaze() -> None:
    scenario = Scenario((Hold(2.0, "light"),), None, 0.0, slip=Slip(1.0, (2.0, 1.0, 0.0)))
    patient = SimulatedPatient(scenario, 8, eyes=("right",), **SMALL)
    rows = patient.truth.frames["right"]
    moved_px = rows["x_px"][102] - rows["x_px"][98]
    # The camera goes 2 mm toward the patient's left, the image's right: the eye appears to go left.
    assert moved_px == pytest.approx(-2.0 / patient.cameras["right"].mm_per_px, rel=0.1)
    assert abs(rows["horizontal_deg"][102] - rows["horizontal_deg"][98]) < 0.3
    assert [event.kind for event in patient.truth.events if event.kind == "slip"] == ["slip"]


def test_light_changes_and_droop_show_in_pictures_and_truth() -> None:
    scenario = Scenario((Hold(2.0, "light"),), None, light_changes=((1.0, 0.5),), droop=(0.0, 2.0, 0.3))
    patient = SimulatedPatient(scenario, 9, eyes=("left",), **SMALL)
    found, rows = frames(patient.source("left")), patient.truth.frames["left"]
    assert found[101].image.mean() / found[98].image.mean() == pytest.approx(0.5, rel=0.03)
    assert rows["visible_share"][-1] < 0.5 < rows["visible_share"][0]


def test_pupil_follows_the_light_unless_it_is_given() -> None:
    steps = (Hold(1.0, "light"), Hold(6.0, "dark"))
    patient = SimulatedPatient(Scenario(steps), 10, eyes=("right",), rate_hz=20.0)
    pupil_mm = patient.truth.frames["right"]["pupil_mm"]
    eye = patient.anatomy["right"]
    assert pupil_mm[10] == pytest.approx(eye.pupil_light_mm, abs=0.3)
    assert pupil_mm[-1] == pytest.approx(eye.pupil_dark_mm, abs=0.4)
    given = SimulatedPatient(Scenario(steps, pupil_mm=5.0), 10, eyes=("right",), rate_hz=20.0)
    assert set(given.truth.frames["right"]["pupil_mm"]) == {5.0}


def test_truth_is_written_beside_a_recording_and_never_overwritten(tmp_path) -> None:
    visit = Scenario((LookAt(((0, 0), (10, 0)), hold_s=0.8), *VISIT.steps))
    patient = SimulatedPatient(visit, 2, start_s=7.0, lost_share=0.1, **SMALL)
    written = patient.write_truth(tmp_path)
    assert {path.name for path in written} == {path.name for path in tmp_path.iterdir()}
    with (tmp_path / "truth_beats.csv").open(encoding="utf-8") as file:
        beats = list(csv.DictReader(file))
    assert len(beats) == len(patient.truth.beats) > 3
    assert float(beats[0]["slow_start_s"]) == pytest.approx(patient.truth.beats[0].slow_start_s)
    assert beats[0]["direction"] == "right"
    with (tmp_path / "truth_frames_left.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 460
    assert float(rows[9]["x_px"]) == pytest.approx(patient.truth.frames["left"]["x_px"][9])
    with (tmp_path / "truth_targets.csv").open(encoding="utf-8") as file:
        assert next(csv.reader(file)) == ["start_s", "end_s", "horizontal_deg", "vertical_deg"]
    setup = json.loads((tmp_path / "truth_setup.json").read_text(encoding="utf-8"))
    assert setup["anatomy"]["left"]["apex_mm"] == patient.anatomy["left"].apex_mm
    with pytest.raises(SourceError, match="not touched"):
        patient.write_truth(tmp_path)
