"""A window behind a change of light begins when the pupil is steady, on both sides of the light alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from analysis.windows import WindowSettings, step_windows
from capture.samples import Eye
from tests.analysis.sawtooth import Calibrated, Made, MadeRecording, Phase, make_recording

TARGETS_END_S = 3.0
LIT_S = 15.0


@dataclass(frozen=True)
class Model:
    mm_per_px: float = 0.06


@dataclass(frozen=True)
class Scaled(Calibrated):
    model: Model = Model()


def widening(tau_s: float, wider_mm: float = 3.0, eye: Eye = "right") -> MadeRecording:
    """15 s of light behind the targets, then 30 s of dark in which a pupil of 3 mm widens exponentially."""
    phases = (Phase("fixation", LIT_S), Phase("dark", 30))
    made = make_recording(Made(phases, eyes=("right", "left"), calibration=Scaled()))
    rows = made.samples[eye]
    dark_s = rows["time_s"] - TARGETS_END_S - LIT_S
    size_mm = 3.0 + wider_mm * np.where(dark_s > 0, 1 - np.exp(-np.maximum(dark_s, 0) / tau_s), 0)
    rows["major_px"] = size_mm / 2 / Model().mm_per_px
    return made


def dropped_s(made: MadeRecording) -> list[float]:
    return [w.used_from_s - w.start_s for w in step_windows(made, WindowSettings())]


@pytest.mark.parametrize("eye", ["right", "left"])
@pytest.mark.parametrize("tau_s", [3.0, 4.0, 5.0])
def test_the_dark_is_measured_from_when_the_pupil_is_steady(tau_s: float, eye: Eye) -> None:
    # 3 mm x (1 - exp(-2 / tau)) / 2 s x exp(-t / tau) = 0.1 mm/s, the mean change of the next two seconds
    expected_s = tau_s * np.log(3.0 * (1 - np.exp(-2.0 / tau_s)) / 2.0 / 0.1)
    assert expected_s > 5.0
    _, dark = step_windows(widening(tau_s, eye=eye), WindowSettings())
    dropped_s = dark.used_from_s - dark.start_s
    assert dropped_s == pytest.approx(expected_s, abs=0.5)
    assert f"and {dropped_s - 5.0:.1f} s more until the pupil was steady" in dark.note


def test_a_quick_or_small_change_drops_no_more_than_the_usual_seconds() -> None:
    assert dropped_s(widening(1.0)) == dropped_s(widening(5.0, wider_mm=0.2)) == [0.0, 5.0]


def test_a_pupil_of_unknown_size_drops_the_usual_seconds() -> None:
    made = widening(5.0)
    made.calibrations.update(dict.fromkeys(made.calibrations, Calibrated()))
    assert dropped_s(made) == [0.0, 5.0]


def test_five_seconds_are_measured_though_the_pupil_never_rests() -> None:
    made = widening(60.0, wider_mm=12.0)  # 0.2 mm/s at the beginning, 0.12 after 30 s
    _, dark = step_windows(made, WindowSettings())
    assert dark.used_from_s - dark.start_s == 5.0
    assert "not seen to become steady" in dark.note


def test_a_lid_over_the_pupil_is_no_change_of_its_size() -> None:
    made = widening(1.0)
    for rows in made.samples.values():
        sinking = np.clip(1 - (rows["time_s"] - TARGETS_END_S - LIT_S - 5) / 10, 0.3, 1.0)
        rows["major_px"] *= sinking
        rows["visible_share"] = np.where(sinking < 1, 0.8, 1.0)
    _, dark = step_windows(made, WindowSettings())
    assert dark.used_from_s - dark.start_s == 5.0
