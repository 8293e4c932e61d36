"""When a run of nystagmus has ended, when blinks only hide its quick phases, and its end on a slow axis."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.analyse import analyse_recording
from analysis.beats import Beat
from analysis.positional_runs import CourseSettings, find_runs
from analysis.trace import trace_from_arrays
from tests.analysis.paroxysm import Course, Position, positional

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


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_slow_axis_beside_a_fast_one_has_the_end_of_its_own_course(seed: int, side: float) -> None:
    """2 s of rise, then 6 exp(-t / 8) across is 1 deg/s after 8 ln 6 = 14.33 s: 16.3 s; of 60 up 34.8 s.

    Three beats a second of 6 deg/s and less are hardly larger than noise of 0.2 deg, so that few are found.
    """
    course = Course((side * 6.0, -60.0, 0.0), tau_s=8.0)
    down = Position("right ear down", 60, course)
    rest = Position("baseline", 20, reached_after_s=None)
    made = positional(rest, down, Position("sitting up", 30), seed=seed, noise_deg=0.2)
    for axis, true_s in (("horizontal", 16.33), ("vertical", 34.75)):
        (found,) = (
            f
            for f in analyse_recording(made, 1966).results[0].findings
            if (f.key, f.step, f.axis) == ("duration", "right ear down", axis)
        )
        assert found.value == pytest.approx(true_s, abs=2.0)
        assert found.interval is not None
        assert found.interval[0] < true_s < found.interval[1]


def test_no_axis_outlasts_a_nystagmus_that_stops() -> None:
    """It stops 9 s from its beginning, while 40 exp(-7 / 12) up and 12 exp(-7 / 12) across are left of it."""
    stops = Course((12.0, -40.0, 0.0), tau_s=12.0, lasts_s=9.0)
    down = Position("right ear down", 40, stops)
    rest = Position("baseline", 20, reached_after_s=None)
    made = positional(rest, down, Position("sitting up", 30), noise_deg=0.05)
    lasts = {
        f.axis: f.value
        for f in analyse_recording(made, 1966).results[0].findings
        if (f.key, f.step) == ("duration", "right ear down")
    }
    assert lasts["horizontal"] == pytest.approx(9.0, abs=0.6)
    assert lasts["vertical"] == pytest.approx(9.0, abs=0.6)
