"""Pendular oscillations with known size, frequency and phase; jerk nystagmus and square waves are none."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.pendular import Pendular, pendular, phase_between
from analysis.procedure import Result
from analysis.report_tables import summary_table
from analysis.trace import trace_from_arrays
from capture.samples import Eye
from tests.analysis.sawtooth import Made, Phase, make_recording
from tests.analysis.test_spontaneous import analysed, found

TIME = np.arange(0.0, 24.0, 0.005)


def swinging(hz: float, size_deg: float, lag_deg: float = 0.0, axis: int = 0) -> Pendular | None:
    """Peak to peak `size_deg`, seen through noise of 0.1 deg, with a drift and a gap of a second."""
    place = np.random.default_rng(3).normal(0, 0.1, (TIME.size, 3))
    place[:, axis] += size_deg / 2 * np.sin(2 * np.pi * hz * TIME - np.radians(lag_deg)) + 0.3 * TIME
    place[(TIME > 7.0) & (TIME < 8.0)] = np.nan
    return pendular(trace_from_arrays("right", TIME, place), 1.0, 23.0, axis)


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize(("hz", "size_deg"), [(2.0, 1.0), (4.4, 6.0), (8.0, 2.0)])
def test_size_and_frequency(hz: float, size_deg: float, axis: int) -> None:
    seen = swinging(hz, size_deg, axis=axis)
    assert seen is not None
    assert seen.size_deg.value == pytest.approx(size_deg, abs=0.05)
    assert seen.frequency_hz.value == pytest.approx(hz, abs=0.02)
    assert seen.size_deg.interval[0] < size_deg < seen.size_deg.interval[1]


@pytest.mark.parametrize("lag_deg", [0.0, 60.0, 180.0, -90.0])
def test_phase_between_the_eyes(lag_deg: float) -> None:
    """The left eye lags: the right one leads by as much."""
    right, left = swinging(3.0, 3.0), swinging(3.0, 2.0, lag_deg)
    assert right is not None
    assert left is not None
    lead = phase_between(right, left)
    assert lead is not None
    assert np.cos(np.radians(lead.value - lag_deg)) > np.cos(np.radians(3.0))


def test_eyes_that_swing_differently_have_no_phase() -> None:
    right, left = swinging(3.0, 3.0), swinging(5.0, 3.0)
    assert right is not None
    assert left is not None
    assert phase_between(right, left) is None


@pytest.mark.parametrize("shape", [lambda u: u, lambda u: np.where(u < 0.5, 0.0, 1.0)])
def test_a_sawtooth_and_a_square_wave_are_none(shape) -> None:
    """Of their variance one sine holds 0.61 and 0.81."""
    place = np.random.default_rng(4).normal(0, 0.05, (TIME.size, 3))
    place[:, 0] += 4 * shape(np.mod(3.0 * TIME, 1.0))
    assert pendular(trace_from_arrays("right", TIME, place), 0.0, 24.0, 0) is None


def test_small_and_short_ones_are_none() -> None:
    assert swinging(3.0, 0.3) is None
    assert pendular(trace_from_arrays("right", TIME, np.zeros((TIME.size, 3))), 0.0, 3.0, 0) is None
    assert pendular(trace_from_arrays("right", [], np.empty((0, 3))), 0.0, 30.0, 0) is None


BLINKS_S = ((1.9, 2.3), (4.3, 4.7), (6.7, 7.1), (9.1, 9.5))


def blinking(lag_deg: float, blinks_s: tuple[tuple[float, float], ...]) -> Pendular | None:
    """12 s of 3 a second and 3 deg, hidden by blinks."""
    time = TIME[TIME < 12.0]
    place = np.random.default_rng(5).normal(0, 0.1, (time.size, 3))
    place[:, 0] += 1.5 * np.sin(2 * np.pi * 3.0 * time - np.radians(lag_deg))
    for start_s, end_s in blinks_s:
        place[(time > start_s) & (time < end_s)] = np.nan
    return pendular(trace_from_arrays("right", time, place), 0.0, 12.0, 0)


def test_blinks_do_not_hide_a_swing_in_a_short_step() -> None:
    """2.0 s are free between them; of pieces from 0, 2, 4 ... s only the first and the last are whole."""
    seen = blinking(0.0, BLINKS_S)
    assert seen is not None
    assert len(seen.start_s) == 5
    assert seen.size_deg.value == pytest.approx(3.0, abs=0.05)
    assert seen.frequency_hz.value == pytest.approx(3.0, abs=0.02)


@pytest.mark.parametrize("lag_deg", [0.0, 90.0, 180.0])
def test_phase_where_the_eyes_are_not_hidden_together(lag_deg: float) -> None:
    """The pieces of the two eyes begin up to 1 s apart."""
    right, left = blinking(0.0, BLINKS_S), blinking(lag_deg, ())
    assert right is not None
    assert left is not None
    lead = phase_between(right, left)
    assert lead is not None
    assert np.cos(np.radians(lead.value - lag_deg)) > np.cos(np.radians(5.0))


def test_an_eye_that_swings_is_not_called_quiet() -> None:
    """Both eyes in the dark, 4 deg at 5 a second, the left one a quarter of a turn behind."""
    recording = make_recording(Made((Phase("dark", 30), Phase("fixation", 12, (-6.0, 0.0, 0.0)))))
    for eye, lag in (("right", 0.0), ("left", np.pi / 2)):
        rows = recording.samples[eye]  # type: ignore[index]
        dark = rows["time_s"] < 33.0
        rows["horizontal_deg"][dark] += 2.0 * np.sin(2 * np.pi * 5.0 * rows["time_s"][dark] - lag)
    shown: Result = analysed(recording)
    eyes: tuple[Eye, Eye] = ("right", "left")
    for eye in eyes:
        assert found(shown, "pendular_size", "dark", eye, "horizontal").value == pytest.approx(4.0, abs=0.1)
        assert f"{eye} eye pendular horizontal oscillation, 4.0 deg at 5.0 a second" in shown.conclusions[0]
        (row,) = [r for r in summary_table(shown).rows if (r[0].text, r[1].text) == ("dark", eye)]
        assert row[2].text == "pendular horizontal oscillation, 4.0 deg at 5.0 a second"
    assert found(shown, "pendular_phase", "dark", None, "horizontal").value == pytest.approx(90.0, abs=5.0)
    assert not any(f.key.startswith("pendular") and f.step == "fixation" for f in shown.findings)
    assert ["Pendular oscillation" in flag.text for flag in shown.red_flags] == [True]
