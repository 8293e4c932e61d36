"""Nystagmus that goes on in the dark behind a moving field: how fast, and how it fades."""

from __future__ import annotations

import math
import re

import pytest

from analysis.analyse import analyse_recording
from analysis.battery import procedure_named
from analysis.finding import Finding
from analysis.procedure import Result
from capture.simulation.patterns import Course, Pattern
from capture.simulation.traces import Seeing
from tests.analysis.led_patient import lead
from tests.analysis.sawtooth import Made, Phase, make_recording

RIGHT, LEFT = "dark after the field to the right 40 deg/s", "dark after the field to the left 40 deg/s"
AFTER_DPS, TAU_S, STILL_DPS = 12.0, 8.0, -2.0
# the mean of 12 exp(-t / 8) from 1 to 4 s
EARLY_DPS = AFTER_DPS * TAU_S / 3 * (math.exp(-1 / TAU_S) - math.exp(-4 / TAU_S))


def after(to_right_dps: float, to_left_dps: float, still_dps: float = STILL_DPS) -> Result:
    """Slow phases go on in the dark the way the field went, and fade."""
    fading = {
        key: (Course((dps, 0.0, 0.0), 0.0, 0.0, TAU_S),)
        for key, dps in ((RIGHT, to_right_dps), (LEFT, -to_left_dps))
    }
    pattern = Pattern(
        (still_dps, 0.0, 0.0), provoked=fading, square_wave_jerks_per_min=0.0, blink_every_s=None,
        wander_deg=0.0, beats_per_s=4.0, variation=0.0,
    )  # fmt: skip
    seen = {"right": Seeing(250.0, (0.05, 0.05, 0.1))}
    led = lead(procedure_named("optokinetic"), pattern, 5, seen)  # type: ignore[arg-type]
    return analyse_recording(led.recording, 1960).results[0]  # type: ignore[arg-type]


def found(result: Result, key: str, step: str) -> Finding:
    return next(f for f in result.findings if (f.key, f.step, f.axis) == (key, step, "horizontal"))


def test_velocity_and_decline_without_the_spontaneous_nystagmus() -> None:
    result = after(AFTER_DPS, AFTER_DPS)
    for key, sign in ((RIGHT, 1), (LEFT, -1)):
        assert found(result, "after_nystagmus_velocity", key).value == pytest.approx(
            sign * EARLY_DPS, rel=0.1
        )
        assert found(result, "time_constant", key).value == pytest.approx(TAU_S, rel=0.25)
    # slow phases to the right, the way the field went, beat to the left
    for way, beats in (("right", "left"), ("left", "right")):
        said = f"dark after the field to the {way} 40 deg/s: {beats}-beating after-nystagmus of"
        assert any(said in text for text in result.conclusions)


def test_none_to_the_left() -> None:
    result = after(AFTER_DPS, 0.0)
    assert abs(found(result, "after_nystagmus_velocity", LEFT).value or math.nan) < 0.5
    assert found(result, "time_constant", LEFT).reason == "no nystagmus beyond the baseline"


@pytest.mark.parametrize(
    ("gain", "still_dps", "wrong"), [(0.95, -4.0, []), (0.95, 4.0, []), (1.2, 0.0, ["1.20", "1.20"])]
)
def test_a_spontaneous_nystagmus_is_no_wrong_calibration(
    gain: float, still_dps: float, wrong: list[str]
) -> None:
    """0.95 of a field of 20 deg/s and 4 deg/s its way are 1.15 of it; no eye follows by 1.2."""
    fields = [f"field to the {way} 20 deg/s" for way in ("right", "left")]
    phases = [
        Phase("dark before the field", 20, (still_dps, 0, 0)),
        *(Phase(f, 20, (way * gain * 20 + still_dps, 0, 0)) for f, way in zip(fields, (1, -1), strict=True)),
    ]
    made = make_recording(Made(tuple(phases), procedure="optokinetic", eyes=("right",)))
    shown = analyse_recording(made, 1960).results[0]  # type: ignore[arg-type]
    assert found(shown, "optokinetic_gain", fields[1]).value == pytest.approx(gain - still_dps / 20, abs=0.02)
    said = [re.findall(r"a gain of (\d\.\d\d) cannot be", text) for text in shown.cautions]
    assert [one for found_in in said for one in found_in] == wrong
    assert any(
        "asymmetry at 20 deg/s, spontaneous nystagmus taken off: none beyond" in t for t in shown.conclusions
    )


def test_fields_of_20_deg_per_s_have_no_dark_behind_them() -> None:
    keys = [step.key for step in procedure_named("optokinetic").steps if step.light == "dark"]
    assert keys == ["dark before the field", RIGHT, LEFT]
