"""The whole chain on simulated patients: directions, frame times, and healthy eyes."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from analysis.analyse import RecordingResult, analyse_recording
from capture.calibration import calibrate
from capture.clock import SystemClock
from capture.profile import CameraProfile, EyeView, GoggleProfile, MountGeometry, Rotation
from capture.simulation.camera import Camera
from capture.simulation.patient import SimulatedPatient
from capture.simulation.scenario import Hold, LookAt, Nystagmus, Scenario
from recordings.recorder import Recorder
from recordings.sealed import Recording, open_recording

DRIFT_DPS = 10.0
VIEWS = [(mirrored, rotation) for mirrored in (False, True) for rotation in get_args(Rotation)]


def _recording(patient: SimulatedPatient, data: Path) -> Recording:
    """Record the right eye without keeping pictures."""
    camera = CameraProfile("simulated", (patient.view("right"),))
    clock = SystemClock()
    recorder = Recorder(
        GoggleProfile("simulated goggles", (camera,)),
        {"simulated": patient.source("right")},
        data,
        clock=clock,
        targets=patient.targets(),
        images="none",
    )
    return open_recording(recorder.run())


def _analysed(patient: SimulatedPatient, data: Path) -> RecordingResult:
    with _recording(patient, data) as recording:
        return analyse_recording(recording)


@pytest.mark.parametrize("true", [(False, 0), (True, 90)])
def test_of_eight_stated_flips_and_rotations_only_the_true_one_is_proven(
    true: tuple[bool, Rotation], tmp_path: Path
) -> None:
    size = (240, 320) if true[1] in (90, 270) else (320, 240)
    camera = Camera(size, mirrored=true[0], rotation_deg=true[1], focal_px=480.0)
    patient = SimulatedPatient(Scenario((LookAt(hold_s=0.8),)), 3, ("right",), 60.0, size, camera=camera)
    with _recording(patient, tmp_path) as recording:
        samples, targets = recording.samples["right"], recording.targets
    found = {
        (mirrored, rotation): calibrate(
            targets, samples, EyeView("right", None, mirrored, rotation), MountGeometry(), size
        ).direction
        for mirrored, rotation in VIEWS
    }
    assert found == {view: "proven" if view == true else "contradicted" for view in VIEWS}


def _median_velocity_dps(result: RecordingResult) -> float:
    velocities = [b.slow_phase_velocity_dps[0] for b in result.beats["right"] if b.accepted]
    assert len(velocities) > 15
    return float(np.median(velocities))


def test_neither_lost_frames_nor_a_wrong_nominal_rate_move_the_velocity(tmp_path: Path) -> None:
    """Each at most 2 %: the same movement with every frame, with 5 % lost, and under a header that lies."""
    scenario = Scenario((LookAt(hold_s=0.8), Hold(12.0, nystagmus=Nystagmus((DRIFT_DPS, 0.0, 0.0)))))

    def velocity(**how: float) -> float:
        return _median_velocity_dps(
            _analysed(SimulatedPatient(scenario, 11, ("right",), 80.0, **how), tmp_path)
        )

    whole = velocity()
    assert whole > 0.8 * DRIFT_DPS
    assert velocity(lost_share=0.05) == pytest.approx(whole, rel=0.02)
    assert velocity(nominal_rate_hz=60.0) == pytest.approx(whole, rel=0.02)


@pytest.mark.release
@pytest.mark.timeout(1200)
def test_ten_minutes_of_healthy_fixation_hold_at_most_two_false_beats(tmp_path: Path) -> None:
    """With blinks and microsaccades, through the pictures."""
    false = 0
    for seed in range(5):
        patient = SimulatedPatient(Scenario((LookAt(), Hold(120.0, "fixation"))), seed, ("right",), 100.0)
        assert any(event.kind == "blink" for event in patient.truth.events)
        result = _analysed(patient, tmp_path)
        started_s = LookAt().duration_s
        false += sum(b.accepted and b.quick_start_s > started_s for b in result.beats["right"])
    assert false <= 2
