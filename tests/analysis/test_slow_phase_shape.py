"""Slow phases that keep, lose or gain speed, made as parabolas of known bend."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.beats import find_beats
from analysis.procedure import Result
from analysis.report_measures import measures_table
from analysis.slow_phase_shape import change_of_speed
from analysis.trace import Trace, trace_from_arrays
from tests.analysis.sawtooth import Made, Phase, make_recording
from tests.analysis.test_spontaneous import analysed, found

TIME = np.arange(0.0, 25.0, 0.005)


def bent(percent: float, sign: float = 1.0) -> np.ndarray:
    """Twice a second 4 deg in 0.45 s and back in 0.05 s: speed 4 / 0.45 (1 + percent / 100 (u - 1 / 2))."""
    within = np.mod(TIME, 0.5)
    u = np.clip(within / 0.45, 0.0, 1.0)
    back = (1 - np.cos(np.pi * np.clip((within - 0.45) / 0.05, 0.0, 1.0))) / 2
    return sign * 4 * (u + percent / 100 * (u**2 - u) / 2 - back)


def trace_of(place: np.ndarray, axis: int = 0) -> Trace:
    whole = np.random.default_rng(9).normal(0, 0.1, (TIME.size, 3))
    whole[:, axis] += place
    return trace_from_arrays("right", TIME, whole)


@pytest.mark.parametrize("percent", [0.0, -60.0, 40.0])
@pytest.mark.parametrize(("axis", "sign"), [(0, 1.0), (0, -1.0), (1, 1.0), (2, -1.0)])
def test_change_of_speed(percent: float, axis: int, sign: float) -> None:
    trace = trace_of(bent(percent, sign), axis)
    change = change_of_speed(trace, find_beats(trace), axis)
    assert not isinstance(change, str)
    assert change.value == pytest.approx(percent, abs=4.0)
    assert change.interval[0] - 2 < percent < change.interval[1] + 2


def test_few_beats_tell_nothing() -> None:
    trace = trace_of(bent(0.0))
    assert change_of_speed(trace, find_beats(trace)[:5], 0) == "5 beats certain enough, 8 needed"
    assert change_of_speed(trace, (), 0) == "0 beats certain enough, 8 needed"


@pytest.mark.parametrize(
    ("percent", "said"), [(-60.0, "slow phases lose "), (60.0, "slow phases gain "), (0.0, "")]
)
def test_what_is_said_of_it(percent: float, said: str) -> None:
    recording = make_recording(Made((Phase("dark", 22),), eyes=("right",), rate_hz=200.0, noise_deg=0.02))
    rows = recording.samples["right"]
    rows["horizontal_deg"] += np.interp(rows["time_s"], TIME, bent(percent))
    shown: Result = analysed(recording)
    assert found(shown, "slow_phase_change", "dark", "right", "horizontal").value == pytest.approx(
        percent, abs=2
    )
    told = [text for text in shown.conclusions if "slow phases" in text]
    assert [said in text for text in told] == ([True] if said else [])
    rows = [row for table in measures_table(shown) for row in table.rows]
    assert ["change of speed" in row[3].text for row in rows] == ([True] if said else [])
