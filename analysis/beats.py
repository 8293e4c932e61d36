"""Beats of nystagmus: a slow phase and the quick phase that ends it.

A fast phase ends a beat when it takes the eye back against the drift before it. Square-wave jerks and
fixation saccades have no drift, catch-up saccades go along with it, gaze shifts go further than it; none is a
beat. A beat is judged first on its own, then, where its drift is so slow that a fixating eye could have it
too, in its company: nystagmus comes in trains. What looked like a beat and was refused is kept with the reason.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray

from analysis.phases import Phases, PhaseSettings, find_phases
from analysis.slow_phases import SLOW_DTYPE, measure_slow_phases
from analysis.steps import STEP_DTYPE, too_slow
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
class BeatSettings:
    """What makes a beat. One set for all recordings and frame rates."""

    phases: PhaseSettings = field(default_factory=PhaseSettings)
    least_slow_s: float = 0.05  # visible part of a slow phase (six beats a second leave about 0.1 s)
    least_velocity_dps: float = 0.5  # slowest drift called nystagmus (clinical 27.8)
    least_significance: float = 3.0  # velocity over its standard error (clinical 6)
    sure_velocity_dps: float = 5.0  # a single beat of a faster drift needs no company (design choice)
    slow_velocity_dps: float = 2.0  # fixating eyes drift up to about this between fixation saccades
    greatest_share: float = 2.5  # quick phase over drift of its slow phase; beyond: a gaze shift
    share_allowance_deg: float = 1.0  # added to it
    least_share: float = 0.25  # a smaller quick phase takes nothing back
    ripple_share: float = 0.1  # a step below this part of the drift round it does not end a slow phase
    shortest_share: float = 0.35  # of the usual duration; a shorter quick phase is a jump of the tracker
    greatest_gap_share: float = 0.5  # of the quick phase while a frame is missing
    least_cosine: float = 0.5  # between the quick phase and the way back along the slow phase
    train: tuple[int, int] = (6, 5)  # of 6 fast phases in a row 5 are beats of one direction (design choice)
    neighbourhood_s: float = 4.0  # company is looked for within this of the beat


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
    if trace.time_s.size < 2:
        return ()
    phases = _without_ripples(find_phases(trace, settings.phases), settings)
    slow = measure_slow_phases(trace, phases)
    table = _judge_alone(phases, slow, settings)
    shown = _judge_in_company(table, settings)
    return tuple(_beat(trace.eye, row) for row in table[shown])


def _without_ripples(phases: Phases, settings: BeatSettings) -> Phases:
    """Leave out the fast phases that are tiny beside the slow movement which they interrupt."""
    fast = phases.fast
    since_s = np.r_[-np.inf, fast["end_s"][:-1]]
    until_s = np.r_[fast["start_s"][1:], np.inf]
    reach_s = np.minimum(until_s, fast["end_s"] + 1.0) - np.maximum(since_s, fast["start_s"] - 1.0)
    drift = np.linalg.norm(fast["slow_dps"], axis=1) * reach_s
    ripple = np.linalg.norm(fast["step_deg"], axis=1) < settings.ripple_share * drift
    breaks_s = np.sort(np.r_[phases.breaks_s, fast["middle_s"][ripple]])
    return replace(phases, fast=fast[~ripple], breaks_s=breaks_s)


_ROW = np.dtype(
    [
        ("slow", SLOW_DTYPE),
        ("fast", STEP_DTYPE),
        ("axis", "<i8"),
        ("toward", "<f8", (3,)),  # unit vector against the slow phase, of the axes whose velocity is certain
        ("speed_dps", "<f8"),  # on `axis`
        ("against", "?"),  # the fast phase goes against a drift that is certain
        ("reason", "U60"),
    ]
)


def _judge_alone(phases: Phases, slow: NDArray[np.void], settings: BeatSettings) -> NDArray[np.void]:
    """Give each fast phase its axis, and the reason why it ends no beat if there is one."""
    table = np.zeros(slow.size, _ROW)
    table["slow"], table["fast"] = slow, phases.fast
    velocity, error, amplitude = slow["velocity_dps"], slow["error_dps"], phases.fast["amplitude_deg"]
    speed = np.nan_to_num(np.abs(velocity), nan=-1.0)
    certain: NDArray[np.bool_] = (speed > settings.least_significance * np.nan_to_num(error)) & (
        speed >= settings.least_velocity_dps
    )
    drift_deg = speed * (slow["end_s"] - slow["start_s"])[:, None]
    certain &= -np.sign(velocity) * amplitude >= settings.least_share * drift_deg
    known = np.asarray(certain.any(axis=1))
    fallback = np.where(np.isfinite(velocity).any(axis=1)[:, None], speed, np.abs(np.nan_to_num(amplitude)))
    table["axis"] = np.where(known[:, None], np.where(certain, speed, -1.0), fallback).argmax(axis=1)
    row = np.arange(slow.size)
    table["speed_dps"] = speed[row, table["axis"]]
    drift = np.where(certain, velocity, 0.0)
    table["toward"] = -drift / np.maximum(np.linalg.norm(drift, axis=1), 1e-9)[:, None]
    along = (table["toward"] * amplitude).sum(axis=1)
    size = np.linalg.norm(amplitude, axis=1)
    back = -np.sign(velocity[row, table["axis"]]) * amplitude[row, table["axis"]] > 0
    table["against"] = known & back & (along >= settings.least_cosine * size)
    for reason, applies in _faults(table, known, settings):
        table["reason"] = np.where(applies & (table["reason"] == ""), reason, table["reason"])
    return table


def _faults(
    table: NDArray[np.void], known: NDArray[np.bool_], settings: BeatSettings
) -> list[tuple[str, NDArray[np.bool_]]]:
    """Reasons to refuse a beat that lie in the beat itself, and where each applies; the first one counts."""
    slow, fast = table["slow"], table["fast"]
    length_s = slow["end_s"] - slow["start_s"]
    short = (length_s < settings.least_slow_s) | ~np.isfinite(slow["velocity_dps"][:, :2]).all(axis=1)
    cut = ~slow["complete"]
    too_short = fast["measured_s"] < settings.shortest_share * fast["usual_s"]  # false where not measured
    drift = table["speed_dps"] * length_s
    back = np.abs(fast["amplitude_deg"][np.arange(table.size), table["axis"]])
    return [
        ("slow phase interrupted by a blink", short & slow["after_blink"]),
        ("slow phase interrupted by missing frames", short & cut),
        ("slow phase too short", short),
        ("slow-phase velocity not significant", ~known),
        ("quick phase not against the slow phase", ~table["against"]),
        ("frames missing in the quick phase", fast["gap_share"] > settings.greatest_gap_share),
        ("quick phase outside the main sequence", too_short | too_slow(fast, settings.phases.longest_share)),
        ("quick phase takes back too little", back < settings.least_share * drift),
        (
            "quick phase larger than its slow phase explains",
            ~cut & (back > settings.greatest_share * drift + settings.share_allowance_deg),
        ),
    ]


def _judge_in_company(table: NDArray[np.void], settings: BeatSettings) -> NDArray[np.bool_]:
    """Refuse slow or half-seen beats that stand alone; returns which rows are beats or looked like one."""
    good = table["reason"] == ""
    speed, middle = table["speed_dps"], table["fast"]["middle_s"]
    alike = _company(middle, table["toward"], good, settings.neighbourhood_s)
    lonely = np.where(
        speed < settings.slow_velocity_dps,
        alike[:, 1] < settings.train[1],
        ((speed < settings.sure_velocity_dps) | ~table["slow"]["complete"]) & (alike[:, 0] < 2),
    )
    table["reason"] = np.where(good & lonely, "no other beats like it nearby", table["reason"])
    return table["against"]


@njit(cache=True, nogil=True, fastmath=False)
def _company(
    middle_s: NDArray[np.float64], toward: NDArray[np.float64], good: NDArray[np.bool_], reach_s: float
) -> NDArray[np.int64]:
    """How many beats like it stand with each: at most among 3 and among 6 fast phases in a row (k, 2)."""
    alike = np.zeros((good.size, 2), np.int64)
    for i in range(good.size):
        if not good[i]:
            continue
        for column, width in enumerate((3, 6)):
            for first in range(max(0, i - width + 1), min(i, good.size - width) + 1):
                count = 0
                for k in range(first, first + width):
                    near = abs(middle_s[k] - middle_s[i]) <= reach_s
                    if good[k] and near and (toward[k] * toward[i]).sum() > 0.5:
                        count += 1
                alike[i, column] = max(alike[i, column], count)
    return alike


def _beat(eye: Eye, row: np.void) -> Beat:
    slow, fast, axis = row["slow"], row["fast"], AXES[row["axis"]]
    side = row["fast"]["amplitude_deg"][row["axis"]] > 0
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
        amplitude_deg=tuple(fast["amplitude_deg"].tolist()),
        accepted=row["reason"] == "",
        reason=str(row["reason"]),
    )
