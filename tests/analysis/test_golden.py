"""One recording of every procedure whose findings follow by hand from what the invented patient was given.

The patient is steady: no wander, blinks, square-wave jerks or variation from beat to beat; one eye, 100
samples/s, noise of 0.03 deg. A course rises evenly to its peak in `rise_s` and fades with `tau_s`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import inf

import pytest

from analysis.battery import procedure_named
from analysis.procedure import Result
from capture.samples import AXES, Eye
from capture.simulation.canals import Triple
from capture.simulation.drawing import STEADY
from capture.simulation.patterns import Course, Pattern
from capture.simulation.traces import Seeing
from tests.analysis.led_patient import lead

HORIZONTAL, VERTICAL, TORSIONAL = AXES
STILL = replace(STEADY, variation=0.0)
SEEING = Seeing(rate_hz=100.0, noise_deg=(0.03, 0.03, 0.03))
VELOCITY, PEAK, CHANGE = "slow_phase_velocity", "peak_slow_phase_velocity", "velocity_change"
Key = tuple[str, str, str | None]  # finding, step, axis


def lasting(*velocity: float) -> tuple[Course, ...]:
    """A nystagmus that comes at once and goes on."""
    return (Course((velocity[0], velocity[1], velocity[2]), latency_s=0.0, rise_s=0.2, tau_s=inf),)


def paroxysm(*peak: float) -> tuple[Course, ...]:
    """Latency 3 s, 2 s of rise, time constant 4 s."""
    return (Course((peak[0], peak[1], peak[2]), latency_s=3.0, rise_s=2.0, tau_s=4.0),)


@dataclass(frozen=True)
class Golden:
    """A patient, and what must be found: value and tolerance, or the word for a direction."""

    patient: Pattern
    values: Mapping[Key, tuple[float, float]]
    directions: Mapping[Key, str]


def provoked(places: Mapping[str, tuple[Course, ...]], rest: Triple = (0.0, 0.0, 0.0)) -> Pattern:
    return replace(STILL, provoked=dict(places), spontaneous_dps=rest, in_light=0.3)


def canal(step: str, place: str) -> Golden:
    """From 40 deg/s to 1 deg/s: 4 ln 40 = 14.8 s after the peak, 16.8 s altogether."""
    return Golden(
        provoked({place: paroxysm(12.0, -40.0, -20.0)}),
        {
            ("latency", step, VERTICAL): (3.0, 0.3),
            ("duration", step, VERTICAL): (16.8, 1.0),
            ("time_to_peak", step, VERTICAL): (2.0, 0.5),
            ("time_constant", step, VERTICAL): (4.0, 0.25),
            (PEAK, step, HORIZONTAL): (12.0, 1.0),
            (PEAK, step, VERTICAL): (-40.0, 3.0),
            (PEAK, step, TORSIONAL): (-20.0, 1.5),
        },
        {
            (PEAK, step, HORIZONTAL): "left",
            (PEAK, step, VERTICAL): "up",
            (PEAK, step, TORSIONAL): "upper_pole_right",
        },
    )


def roll() -> Golden:
    """Right ear down 60, left 30 deg/s: 100 (60 - 30) / 90 = 33.3 %."""
    right, left = "roll to the right", "roll to the left"
    return Golden(
        provoked({"turned right": paroxysm(-60.0, 0, 0), "turned left": paroxysm(30.0, 0, 0)}),
        {
            (PEAK, right, HORIZONTAL): (-60.0, 4.0),
            (PEAK, left, HORIZONTAL): (30.0, 2.0),
            ("side_asymmetry", "", HORIZONTAL): (33.3, 3.0),
        },
        {(PEAK, right, HORIZONTAL): "right", (PEAK, left, HORIZONTAL): "left"},
    )


def held(places: Mapping[str, str], *velocity: float) -> Golden:
    """The same lasting nystagmus in some places; by step, and the place that it is."""
    steps: dict[Key, tuple[float, float]] = {(PEAK, step, HORIZONTAL): (velocity[0], 0.5) for step in places}
    word = "right" if velocity[0] < 0 else "left"
    return Golden(
        provoked({place: lasting(*velocity) for place in places.values()}), steps, dict.fromkeys(steps, word)
    )


def irrigation(ear: str, temperature: str, peak_dps: float) -> Golden:
    """15 s of latency, 45 s of rise, time constant 40 s: the peak is 60 s after the start.

    The 10 s of the largest mean end at equal speeds, 5.14 s before the peak (1 - 5.14 / 45 = 0.886) and 4.86
    s after it (exp(-4.86 / 40) = 0.886): mean (5.14 x 0.943 + 40 x 0.1144) / 10 = 0.942 of the peak.
    """
    step = f"{ear} {temperature} irrigation"
    return Golden(
        provoked({step: (Course((peak_dps, 0.0, 0.0), latency_s=15.0, rise_s=45.0, tau_s=40.0),)}),
        {
            ("culmination_velocity", "response", HORIZONTAL): (0.942 * peak_dps, 0.02 * abs(peak_dps)),
            ("culmination_time", "response", HORIZONTAL): (60.0, 3.0),
        },
        {("culmination_velocity", "response", HORIZONTAL): "right" if peak_dps < 0 else "left"},
    )


GAZE = replace(STILL, integrator_tau_s=10.0, in_light=1.0)
REST: Triple = (-8.0, 1.6, -2.0)
GOLDEN: dict[str, Golden] = {
    "spontaneous": Golden(  # 30 % is left in light: index 0.3, less by 5.6 deg/s
        provoked({}, REST),
        {
            **{(VELOCITY, "dark", axis): (v, 0.1) for axis, v in zip(AXES, REST, strict=True)},
            (VELOCITY, "fixation", HORIZONTAL): (-2.4, 0.1),
            ("fixation_index", "", HORIZONTAL): (0.3, 0.02),
            ("fixation_reduction", "", HORIZONTAL): (5.6, 0.2),
        },
        {
            (VELOCITY, "dark", HORIZONTAL): "right",
            (VELOCITY, "dark", VERTICAL): "down",
            (VELOCITY, "dark", TORSIONAL): "upper_pole_right",
        },
    ),
    "gaze_holding_dark": Golden(
        GAZE,
        {
            ("integrator_time_constant", "gaze right", HORIZONTAL): (10.0, 0.4),
            ("integrator_time_constant", "gaze left", HORIZONTAL): (10.0, 0.4),
            ("null_gaze", "", HORIZONTAL): (0.0, 1.5),
        },
        {(VELOCITY, "gaze right", HORIZONTAL): "right", (VELOCITY, "gaze left", HORIZONTAL): "left"},
    ),
    "gaze_holding": Golden(  # 25 deg / 10 s, less what the eye drifts in toward the centre before each beat
        GAZE,
        {
            (VELOCITY, "gaze right", HORIZONTAL): (-2.4, 0.15),
            (VELOCITY, "gaze left", HORIZONTAL): (2.4, 0.15),
            ("integrator_time_constant", "gaze right", HORIZONTAL): (10.0, 0.4),
            ("integrator_time_constant", "gaze left", HORIZONTAL): (10.0, 0.4),
        },
        {(VELOCITY, "gaze right", HORIZONTAL): "right", (VELOCITY, "gaze left", HORIZONTAL): "left"},
    ),
    "dix_hallpike_right": canal("right ear down", "hanging right"),
    "dix_hallpike_left": canal("left ear down", "hanging left"),
    "side_lying_right": canal("lying on the right side", "hanging right"),
    "side_lying_left": canal("lying on the left side", "hanging left"),
    "head_hanging": canal("head hanging", "hanging straight"),
    "supine_roll": roll(),
    "supine_roll_whole_body": roll(),
    "static_positions": held({"head right": "turned right", "body right": "turned right"}, -6.0, 0, 0),
    "lying_down": held({"lying down": "lying"}, 9.0, 0, 0),
    "bow_and_lean": held({"bow": "bowed"}, -7.0, 0, 0),
    "null_point": held({f"{angle} degrees left": f"{angle} degrees left" for angle in (30, 40)}, -8.0, 0, 0),
    "head_shake": Golden(  # rest taken off; fades from 15 deg/s: 15 exp(-2.5 / 10) = 11.7 at 3.5 s
        provoked({"after head shaking": (Course((-15.0, 0, 0), 0.0, 1.0, 10.0),)}, (-3.0, 0.0, 0.0)),
        {
            (CHANGE, "after head shaking", HORIZONTAL): (-11.7, 0.8),
            (CHANGE, "after head shaking", VERTICAL): (0.0, 0.2),
        },
        {(CHANGE, "after head shaking", HORIZONTAL): "right"},
    ),
    "vibration": Golden(
        provoked(
            {"vibration right": lasting(-8.0, 0, 0), "vibration left": lasting(-6.6, 0, 0)}, (-1.5, 0.0, 0.0)
        ),
        {
            (CHANGE, "vibration right", HORIZONTAL): (-8.0, 0.4),
            (CHANGE, "vibration left", HORIZONTAL): (-6.6, 0.4),
            (CHANGE, "vibration vertex", HORIZONTAL): (0.0, 0.2),
        },
        {(CHANGE, "vibration right", HORIZONTAL): "right", (CHANGE, "vibration left", HORIZONTAL): "right"},
    ),
    "hyperventilation": Golden(
        provoked({"deep breathing": lasting(5.0, 0, 0), "after breathing": lasting(4.0, 0, 0)}),
        {
            (CHANGE, "deep breathing", HORIZONTAL): (5.0, 0.3),
            (CHANGE, "after breathing", HORIZONTAL): (4.0, 0.3),
        },
        {(CHANGE, "deep breathing", HORIZONTAL): "left"},
    ),
    "pressure_and_sound": Golden(  # excitation of the left anterior canal by a tone
        provoked({"tone left": lasting(0, 6.0, 5.0)}),
        {
            (CHANGE, "tone left", VERTICAL): (6.0, 0.4),
            (CHANGE, "tone left", TORSIONAL): (5.0, 0.4),
            (CHANGE, "tone right", VERTICAL): (0.0, 0.2),
        },
        {(CHANGE, "tone left", VERTICAL): "down", (CHANGE, "tone left", TORSIONAL): "upper_pole_left"},
    ),
    "caloric_right_warm": irrigation("right", "warm", -25.0),
    "caloric_left_warm": irrigation("left", "warm", 25.0),
    "caloric_right_cool": irrigation("right", "cool", 18.0),
    "caloric_left_cool": irrigation("left", "cool", -18.0),
    "caloric_right_ice": irrigation("right", "ice", 10.0),
    "caloric_left_ice": irrigation("left", "ice", -10.0),
    "free": Golden(
        provoked({"free": lasting(0, 9.0, 0)}),
        {(VELOCITY, "free", VERTICAL): (9.0, 0.3), (VELOCITY, "free", HORIZONTAL): (0.0, 0.1)},
        {(VELOCITY, "free", VERTICAL): "down"},
    ),
}  # fmt: skip
SHORTER = {"free": 20.0, **{f"rest after {k}": 10.0 for k in ("valsalva nose", "valsalva glottis")}}


def measured(key: str) -> Result:
    seeing: dict[Eye, Seeing] = {"right": SEEING}
    free = replace(GOLDEN[key].patient, in_light=1.0) if key == "free" else GOLDEN[key].patient
    return lead(procedure_named(key), free, 1, seeing, SHORTER).result()


@pytest.mark.parametrize("key", GOLDEN)
def test_findings_follow_from_what_the_patient_was_given(key: str) -> None:
    golden, result = GOLDEN[key], measured(key)
    assert result.procedure == key
    found = {(f.key, f.step, f.axis): f for f in result.findings}
    for which, (value, tolerance) in golden.values.items():
        assert found[which].value == pytest.approx(value, abs=tolerance), which
    for which, word in golden.directions.items():
        assert found[which].direction == word, which
