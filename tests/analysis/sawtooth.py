"""Recordings of straight slow phases and quick phases in closed form: every figure is known by hand.

A slow phase of `velocity_dps` that lasts `slow_s` moves the eye by velocity x slow_s; the quick phase takes
exactly that back in `quick_s` along a half cosine. Nothing here calls product code for the numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from types import SimpleNamespace

import numpy as np
from numpy.typing import NDArray

from capture.samples import SAMPLE_DTYPE, Eye, Target
from recordings.event import Event

TARGETS = (Target(0.0, 1.0, 0.0, 0.0), Target(1.0, 2.0, 10.0, 0.0), Target(2.0, 3.0, -10.0, 0.0))


@dataclass(frozen=True)
class Phase:
    """One step with one kind of nystagmus; all zero is an eye that rests."""

    text: str
    seconds: float
    velocity_dps: tuple[float, float, float] = (0.0, 0.0, 0.0)
    slow_s: float = 0.45
    quick_s: float = 0.05
    place_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)  # about which the eye beats


@dataclass(frozen=True)
class Calibrated:
    """As much of a calibration as the analysis reads."""

    calibrated: bool = True
    grade: str = "good"
    direction: str = "proven"
    reason: str = ""
    mean_residual_deg: float | None = 0.2
    worst_residual_deg: float | None = 0.4
    valid_horizontal_deg: tuple[float, float] | None = (-15.0, 15.0)
    valid_vertical_deg: tuple[float, float] | None = (-15.0, 15.0)


@dataclass(frozen=True)
class MadeRecording:
    """As much of a recording as the analysis reads."""

    info: SimpleNamespace
    samples: dict[Eye, NDArray[np.void]]
    targets: tuple[Target, ...]
    events: tuple[Event, ...]
    calibrations: dict[Eye, Calibrated]
    complete: bool = True
    verified: bool = True


@dataclass(frozen=True)
class Made:
    """What to make; every field has a harmless default."""

    phases: tuple[Phase, ...]
    eyes: tuple[Eye, ...] = ("right", "left")
    rate_hz: float = 100.0
    noise_deg: float = 0.03
    calibration: Calibrated = field(default_factory=Calibrated)
    times: str = "measured"
    lost: int = 0
    steps_stated: bool = True
    torsion_quality: float = 0.9
    patient_code: str = "HL-0007"
    training: bool = True
    complete: bool = True
    verified: bool = True
    procedure: str = ""


def sawtooth(phase: Phase, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Position (n, 3) in deg at times from the start of the phase."""
    period_s = phase.slow_s + phase.quick_s
    within = np.mod(time_s, period_s)
    slow = np.minimum(within, phase.slow_s) / phase.slow_s
    quick = np.clip((within - phase.slow_s) / phase.quick_s, 0, 1)
    share = slow - 0.5 - (1 - np.cos(np.pi * quick)) / 2
    return np.array(phase.place_deg) + share[:, None] * np.array(phase.velocity_dps) * phase.slow_s


def make_recording(made: Made) -> MadeRecording:
    """The recording: 3 s of targets, then the phases one after another."""
    rng = np.random.default_rng(7)
    end_s = TARGETS[-1].end_s
    events, spans = [], []
    for phase in made.phases:
        spans.append((end_s, phase))
        events.append(Event(end_s, end_s + phase.seconds, "step", phase.text))
        end_s += phase.seconds
    time = np.arange(0, end_s, 1 / made.rate_hz)
    position = np.zeros((len(time), 3))
    for start, phase in spans:
        inside = (time >= start) & (time < start + phase.seconds)
        position[inside] = sawtooth(phase, time[inside] - start)
    samples = {
        eye: _rows(time, position + rng.normal(0, made.noise_deg, position.shape), made) for eye in made.eyes
    }
    stream = SimpleNamespace(
        frames=len(time), lost=made.lost, repeated=0, times=made.times, measured_rate_hz=made.rate_hz,
        width_px=320, height_px=240, source_name="made.mkv", nominal_rate_hz=made.rate_hz,
    )  # fmt: skip
    info = SimpleNamespace(
        id="0f8b5c52-1b1a-4c5e-9f0e-2f6a5d7c1e90", patient_code=made.patient_code,
        made_utc="2026-11-25T13:40:00Z", utc_of_zero="", software="driftbeat 0.1.0",
        training=made.training, complete=made.complete, site="",
        ending="", eyes=dict.fromkeys(made.eyes, stream), host_time_of_zero_s=0.0,
        eye_identity="unproven", procedure=made.procedure,
    )  # fmt: skip
    return MadeRecording(
        info, samples, TARGETS, tuple(events) if made.steps_stated else (),
        dict.fromkeys(made.eyes, made.calibration), made.complete, made.verified,
    )  # fmt: skip


def _rows(time: NDArray[np.float64], position: NDArray[np.float64], made: Made) -> NDArray[np.void]:
    rows = np.zeros(len(time), SAMPLE_DTYPE)
    rows["frame"], rows["time_s"], rows["device_time_s"] = np.arange(len(time)), time, np.nan
    rows["x_px"], rows["y_px"], rows["major_px"], rows["minor_px"] = 160, 120, 30, 29
    rows["visible_share"], rows["pupil_quality"], rows["torsion_quality"] = 1.0, 0.95, made.torsion_quality
    for axis, name in enumerate(("horizontal", "vertical", "torsional")):
        rows[f"{name}_deg"] = position[:, axis]
    return rows


def unseen(made: MadeRecording, start_s: float, end_s: float) -> MadeRecording:
    """The same recording, in which no eye is seen between two times."""
    samples = {eye: rows.copy() for eye, rows in made.samples.items()}
    for rows in samples.values():
        hidden = (rows["time_s"] > start_s) & (rows["time_s"] < end_s)
        for name in ("x_px", "y_px", "horizontal_deg", "vertical_deg", "torsional_deg"):
            rows[name][hidden] = np.nan
    return replace(made, samples=samples)
