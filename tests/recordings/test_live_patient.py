"""Before whom a live recording may be made: the light gate, and which eye is which."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from capture.clock import SystemClock
from recordings.errors import RecordingError
from recordings.info import Circumstances
from recordings.live_recorder import LiveRecorder
from tests.faults.live import (
    BENCH,
    ToldCamera,
    plan,
    sealed,
    told_opener,
)
from tests.recordings.making import SumTracker

TRAINEE = Circumstances(patient_code="HL-0007", training=True)  # a person too sits before the light
pytestmark = pytest.mark.usefixtures("seal_here")


@pytest.mark.parametrize(
    ("irradiance", "clinic", "allowed"),
    [(None, None, False), (50.1, None, False), (50.0, None, True), (9.0, 5.0, False), (4.0, 5.0, True)],
)
def test_the_light_gate_holds_for_patients_alone(
    tmp_path: Path, irradiance: float | None, clinic: float | None, allowed: bool
) -> None:
    cameras: dict[str, ToldCamera] = {}
    opened = told_opener(cameras)
    asked = plan(tmp_path, {"right": "camera:A1"}, irradiance_w_m2=irradiance)
    recorder = LiveRecorder(
        replace(asked, clinic_limit_w_m2=clinic),
        clock=SystemClock(),
        tracker_factory=SumTracker,
        opener=lambda text, clock, settings: opened("told:1", clock, settings),
    )
    patient = replace(BENCH, circumstances=Circumstances(patient_code="HL-0007"))
    with recorder:
        recorder.open()
        if not allowed:
            for asked in (patient, replace(patient, circumstances=TRAINEE)):
                with pytest.raises(RecordingError, match=r"irradiance|infrared"):
                    recorder.start(asked)
            assert list(tmp_path.glob("*/journal.sqlite")) == []
        folder = recorder.start(patient if allowed else BENCH)
        time.sleep(0.1)
        recorder.stop()
        with sealed(recorder, folder) as recording:
            assert recording.info.bench == (not allowed)
            assert bool(recording.info.patient_code) == allowed


def test_exchanged_eyes_are_found_by_covering_one_and_block_a_patient(tmp_path: Path) -> None:
    class SeesBright(SumTracker):
        def track(self, image: Any) -> Any:
            found = super().track(image)
            return found if image.mean() > 50 else found._replace(pupil=found.pupil._replace(x_px=np.nan))

    cameras: dict[str, ToldCamera] = {}
    recorder = LiveRecorder(
        plan(tmp_path, {"right": "told:0", "left": "told:1"}),
        clock=SystemClock(),
        tracker_factory=SeesBright,
        opener=told_opener(cameras),
    )
    with recorder:
        recorder.open()
        right, left = cameras["told:0"], cameras["told:1"]
        for camera, asked, expected in (
            (left, "right", "contradicted"),
            (right, "right", "proven"),
            (left, "left", "proven"),
        ):
            time.sleep(0.3)
            opened_s = SystemClock().now_s()
            shown, camera._shown = (
                camera._shown,
                [frame._replace(image=np.zeros_like(frame.image), encoded=None) for frame in camera._shown],
            )
            time.sleep(0.5)
            covered_s = SystemClock().now_s()
            camera._shown = shown
            verdict = recorder.judge_cover(asked, (opened_s - 0.25, opened_s), (covered_s - 0.3, covered_s))  # type: ignore[arg-type]
            assert verdict.identity == expected, verdict.reason
            if expected == "contradicted":
                with pytest.raises(RecordingError, match="exchanged"):
                    recorder.start(replace(BENCH, circumstances=Circumstances(patient_code="HL-0007")))
        folder = recorder.start(BENCH)
        time.sleep(0.1)
        recorder.stop()
        with sealed(recorder, folder) as recording:
            assert recording.info.eye_identity == "proven"
            assert recording.info.pair_offset_s is not None
