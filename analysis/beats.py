"""Beats of nystagmus: a slow phase and the quick phase that ends it.

A fast phase ends a beat when it takes the eye back against the drift before it. Square-wave jerks and
fixation saccades have no drift, catch-up saccades go along with it, gaze shifts go further than it; none is a
beat. A beat is judged first on its own, then, where its drift is so slow that a fixating eye could have it
too, in its company: nystagmus comes in trains. What looked like a beat and was refused keeps its reason.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.beat_rules import BeatSettings, judge, without_ripples
from analysis.phases import find_phases
from analysis.slow_phases import measure_slow_phases
from analysis.trace import Trace
from capture.samples import AXES, Eye

Triple = tuple[float, float, float]

# Name of the quick phase on each axis, toward negative and toward positive.
DIRECTIONS: dict[str, tuple[str, str]] = {
    "horizontal": ("left", "right"),
    "vertical": ("down", "up"),
    "torsional": ("upper_pole_left", "upper_pole_right"),
}


@dataclass(frozen=True, slots=True)
class Beat:
    """One beat. Triples are horizontal, vertical, torsional; NaN is missing.

    `axis` is that of the fastest slow phase (torsion only where it can be read), `direction` names the quick
    phase on that axis. Velocities and amplitudes are signed: a right-beating beat has a negative horizontal
    slow-phase velocity and a positive horizontal amplitude. `reason` is empty where `accepted`.
    """

    eye: Eye
    axis: str
    direction: str
    slow_start_s: float
    slow_end_s: float
    quick_start_s: float
    quick_end_s: float
    slow_phase_velocity_dps: Triple
    slow_phase_velocity_se_dps: Triple
    amplitude_deg: Triple  # of the quick phase
    accepted: bool
    reason: str


def find_beats(trace: Trace, settings: BeatSettings | None = None) -> tuple[Beat, ...]:
    """Find the beats of one eye, accepted and refused, in order of time.

    The degrees may be uncalibrated: only directions, durations and the eye's own noise decide.
    """
    settings = settings or BeatSettings()
    phases = without_ripples(find_phases(trace, settings.phases, lids_apart=True), settings)
    table = judge(trace, phases, measure_slow_phases(trace, phases), settings)
    return _beats(trace.eye, table)


def _beats(eye: Eye, table: NDArray[np.void]) -> tuple[Beat, ...]:
    slow, fast = table["slow"], table["fast"]
    amplitude = np.where(fast["measured"], fast["amplitude_deg"], np.nan)
    columns = (
        table["axis"], slow["start_s"], slow["end_s"], fast["start_s"], fast["end_s"],
        slow["velocity_dps"], slow["error_dps"], amplitude, table["reason"],
    )  # fmt: skip
    return tuple(
        Beat(
            eye=eye,
            axis=AXES[axis],
            direction=DIRECTIONS[AXES[axis]][int(size[axis] > 0)],
            slow_start_s=slow_start_s,
            slow_end_s=slow_end_s,
            quick_start_s=quick_start_s,
            quick_end_s=quick_end_s,
            slow_phase_velocity_dps=tuple(velocity),
            slow_phase_velocity_se_dps=tuple(error),
            amplitude_deg=tuple(size),
            accepted=reason == "",
            reason=reason,
        )
        for axis, slow_start_s, slow_end_s, quick_start_s, quick_end_s, velocity, error, size, reason in zip(
            *(column.tolist() for column in columns), strict=True
        )
    )
