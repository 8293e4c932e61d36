"""When a run of nystagmus has ended, and when blinks only hide its quick phases."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.beats import Beat
from analysis.positional_runs import CourseSettings, find_runs
from analysis.trace import trace_from_arrays

NAN3 = (np.nan, np.nan, np.nan)
STARTS_S = (1.0, 2.0, 8.0, 9.0)  # of beats of 1 s: between 3 and 8 s none was found


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("baseline_dps", [0.0, 2.0, -2.0])
@pytest.mark.parametrize(
    ("between_dps", "runs"),
    [(15.0, 1), (0.0, 0), (0.5, 0), (-15.0, 0)],  # two beats and two are no run; together they are one
    ids=["drifts on", "rests", "hardly moves", "drifts back"],
)
def test_a_run_goes_on_while_the_eye_drifts_to_its_side(
    between_dps: float, runs: int, baseline_dps: float, sign: float
) -> None:
    time = np.arange(0.0, 12.0, 0.004)
    rate = sign * np.where((time > 3.0) & (time < 8.0), between_dps, 15.0) + baseline_dps
    position = np.column_stack((np.cumsum(rate) * 0.004, np.zeros((time.size, 2))))
    speed = (sign * 15.0 + baseline_dps, 0.0, 0.0)
    beats = [
        Beat("right", "horizontal", "", s, s + 0.9, s + 0.9, s + 1.0, speed, (0.5, 0.5, 0.5), NAN3, True, "")
        for s in STARTS_S
    ]
    found = find_runs(trace_from_arrays("right", time, position), beats, 0, baseline_dps, CourseSettings())
    assert len(found) == runs
    assert all(run.sign == sign and len(run.beats) == 4 for run in found)
