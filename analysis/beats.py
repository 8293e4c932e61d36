"""Beats of nystagmus: a slow phase and the quick phase that ends it.

A fast phase ends a beat when it takes the eye back against the drift before it. Square-wave jerks and
fixation saccades have no drift, catch-up saccades go along with it, gaze shifts go further than it; none is a
beat. A beat is judged first on its own, then, where its drift is so slow that a fixating eye could have it
too, in its company: nystagmus comes in trains. What looked like a beat and was refused keeps its reason.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

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
    phases = without_ripples(find_phases(trace, settings.phases), settings)
    table = judge(phases, measure_slow_phases(trace, phases), settings)
    return tuple(_beat(trace.eye, row) for row in table)


def _beat(eye: Eye, row: np.void) -> Beat:
    slow, fast, axis = row["slow"], row["fast"], AXES[row["axis"]]
    side = fast["amplitude_deg"][row["axis"]] > 0
    return Beat(
        eye=eye,
        axis=axis,
        direction=DIRECTIONS[axis][int(side)],
        slow_start_s=float(slow["start_s"]),
        slow_end_s=float(slow["end_s"]),
        quick_start_s=float(fast["start_s"]),
        quick_end_s=float(fast["end_s"]),
        slow_phase_velocity_dps=tuple(slow["velocity_dps"].tolist()),
        slow_phase_velocity_se_dps=tuple(slow["error_dps"].tolist()),
        amplitude_deg=tuple(np.where(fast["measured"], fast["amplitude_deg"], np.nan).tolist()),
        accepted=row["reason"] == "",
        reason=str(row["reason"]),
    )
