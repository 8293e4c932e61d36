from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.analyse import analyse_recording
from analysis.cautions import window_cautions
from analysis.procedure import Window
from analysis.trace import make_trace
from tests.analysis.sawtooth import Calibrated, Made, MadeRecording, Phase, make_recording

DARK = Window("dark", "dark", 3.0, 33.0, 8.0)


def changed(name: str, values: NDArray[np.float64] | float, **made: object) -> MadeRecording:
    """A resting eye of 36 s at 100 frames/s with one column replaced."""
    recording = make_recording(Made((Phase("dark", 33),), eyes=("right",), **made))  # type: ignore[arg-type]
    samples = recording.samples["right"].copy()
    samples[name] = values
    return replace(recording, samples={"right": samples})


def cautions(recording: MadeRecording) -> tuple[str, ...]:
    return window_cautions(recording, make_trace(recording, "right"), DARK)  # type: ignore[arg-type]


TIME = np.arange(0, 36, 0.01)


def test_an_ordinary_recording_needs_none() -> None:
    assert cautions(changed("major_px", 30.0)) == ()


@pytest.mark.parametrize(("per_s", "warned"), [(0.05, True), (-0.05, True), (0.01, False)])
def test_pupil_that_still_changes(per_s: float, warned: bool) -> None:
    size = 30 * (1 + per_s * np.clip(TIME - 8, 0, 3))
    recording = changed("major_px", size)
    recording.samples["right"]["minor_px"] = size * 0.95
    shown = cautions(recording)
    assert any("pupil still changes by" in text for text in shown) == warned
    if warned:
        assert shown[0].startswith("dark: the pupil still changes by 5% a second")


def test_half_hidden_pupil() -> None:
    assert cautions(changed("visible_share", 0.6)) == ("dark: 40% of the pupil is hidden",)


def test_samples_outside_the_calibrated_range() -> None:
    far = np.where(TIME > 28, 18.0, 0.0)  # 5 of the 25 s
    (text,) = cautions(changed("horizontal_deg", far))
    assert text == "dark: 20% of the samples lie outside the calibrated range"
    free = changed("horizontal_deg", far, calibration=Calibrated(valid_horizontal_deg=None))
    assert cautions(free) == ()


def test_a_few_samples_outside_the_calibrated_range_get_a_word() -> None:
    """0.5 s of the 25 s are 2 %, 0.1 s are 0.4 %."""
    for seconds, share in ((0.5, "2%"), (0.1, "less than 1%")):
        far = np.where((TIME > 28) & (28 + seconds >= TIME), 18.0, 0.0)
        (text,) = cautions(changed("horizontal_deg", far))
        assert text == f"dark: {share} of the samples lie outside the calibrated range"


def test_many_blinks() -> None:
    blinking = np.mod(TIME, 1.5) < 0.15  # at 9.0, 10.5 ... 31.5 s: 16 in the 25 s from 8 to 33 s
    recording = changed("x_px", np.where(blinking, np.nan, 160.0))
    assert "dark: 38 blinks a minute" in cautions(recording)


def test_an_eye_never_seen_has_other_troubles() -> None:
    assert cautions(changed("horizontal_deg", np.nan)) == ()


@pytest.mark.parametrize(
    ("born", "day", "said"),
    [(1966, "", True), (1966, "2026-11-25T13:40:00Z", False), (None, "", False)],
)
def test_an_age_at_an_unknown_day_is_said(born: int | None, day: str, said: bool) -> None:
    """Without the day of the test the age is that of the day the recording was made; with no age, of none."""
    made = make_recording(Made((Phase("dark", 33),), procedure="spontaneous"))
    made.info.utc_of_zero = day
    texts = analyse_recording(made, born).results[0].cautions  # type: ignore[arg-type]
    assert any("day of the test not known" in text for text in texts) == said
