"""A procedure led on an invented patient: the recording that a visit would have left, without pictures.

led = lead(SUPINE_ROLL, pattern, 7, {"right": Seeing(), "left": Seeing()})
analyse_recording(led.recording)
led.patient.log            # what is true
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
from numpy.typing import NDArray

from analysis.analyse import analyse_recording
from analysis.procedure import Procedure, Result, Step
from capture.pose import Pose
from capture.samples import Eye, Target
from capture.simulation.patterns import Pattern
from capture.simulation.responding import RespondingPatient
from capture.simulation.traces import Seeing, seen_rows
from recordings.event import Event
from tests.analysis.sawtooth import TARGETS, Calibrated, MadeRecording

CALIBRATED = Calibrated(valid_horizontal_deg=(-30.0, 30.0), valid_vertical_deg=(-25.0, 25.0))


@dataclass(frozen=True)
class Led:
    """What was recorded, and the patient who knows the truth."""

    recording: MadeRecording
    patient: RespondingPatient

    def result(self) -> Result:
        """What the analysis makes of it; the patient is 65 or 66 years old."""
        return analyse_recording(self.recording, 1960).results[0]  # type: ignore[arg-type]


def lead(
    procedure: Procedure,
    pattern: Pattern,
    seed: int,
    seeing: Mapping[Eye, Seeing],
    seconds: Mapping[str, float] | None = None,
    gaze_deg: float | None = None,
) -> Led:
    """Every step of a procedure, one after the other, behind 3 s of targets.

    A step lasts its `longest_s`, or `seconds` by its key; a position is reached 1 to 2.5 s after its
    beginning. With `gaze_deg` horizontal targets stand there instead.
    """
    rng = np.random.default_rng([seed, 91])
    patient = RespondingPatient(pattern, seed, keep=True)
    events: list[Event] = []
    now_s = TARGETS[-1].end_s
    for step in procedure.steps:
        lasts_s = (seconds or {}).get(step.key, step.longest_s)
        events += lead_step(step, patient.pose, now_s, lasts_s, float(rng.uniform(1.0, 2.5)), gaze_deg)
        now_s += lasts_s
    rows: dict[Eye, NDArray[np.void]] = {
        eye: seen_rows(patient, eye, now_s, how, rng) for eye, how in seeing.items()
    }
    return Led(recording_of(rows, tuple(events), procedure.key), patient)


def lead_step(
    step: Step,
    pose: Callable[[Pose, float], None],
    start_s: float,
    lasts_s: float,
    way_s: float,
    gaze_deg: float | None,
) -> list[Event]:
    """Tell the patient (`pose`, and when), and what the technician's keys leave in the recording."""
    light = "light" if step.light == "not stated" else step.light
    events = [Event(start_s, start_s + lasts_s, "step", step.key)]
    if step.moves:
        pose(Pose("", light), start_s)
        events.append(Event(start_s + way_s, start_s + way_s, "reached", step.key))
        start_s += way_s
    elif step.confirm:
        events.append(Event(start_s + 1.0, start_s + 1.0, "confirmed", step.key))
    for after_s, _, across, up in step.targets or (Target(0.0, lasts_s, 0.0, 0.0),):
        if gaze_deg is not None and across:
            across = float(np.copysign(gaze_deg, across))
        pose(Pose(step.key, light, (across, up)), start_s + after_s)
    return events


def recording_of(
    rows: Mapping[Eye, NDArray[np.void]], events: tuple[Event, ...], procedure: str, minute: int = 40
) -> MadeRecording:
    """These samples as a recording of a procedure, calibrated and with proven directions."""
    streams = {
        eye: SimpleNamespace(
            frames=len(r), lost=int(r["frame"][-1]) + 1 - len(r), repeated=0, times="measured",
            measured_rate_hz=float(1 / np.median(np.diff(r["time_s"]))), width_px=320, height_px=240,
            source_name="simulated", nominal_rate_hz=250.0,
        )
        for eye, r in rows.items()
    }  # fmt: skip
    info = SimpleNamespace(
        id=f"0f8b5c52-1b1a-4c5e-9f0e-2f6a5d7c{minute:04d}", patient_code="HL-0007",
        made_utc=f"2026-11-25T13:{minute:02d}:00Z", utc_of_zero="", software="driftbeat 0.1.0",
        training=True, complete=True, site="", ending="", eyes=streams, host_time_of_zero_s=0.0,
        eye_identity="unproven", procedure=procedure,
    )  # fmt: skip
    return MadeRecording(info, dict(rows), TARGETS, events, dict.fromkeys(rows, CALIBRATED))
