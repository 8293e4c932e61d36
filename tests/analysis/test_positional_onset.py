"""When a positional nystagmus began: told from beats, from drift, and behind what a blink hides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import gammainc

from analysis.analyse import analyse_recording
from analysis.finding import Finding
from analysis.positional_onset import LAGS_S, _way
from tests.analysis.dix_hallpike import BASELINE, BORN, BOTH, RIGHT_POSTERIOR, UP, analysed, found, right_down
from tests.analysis.interval_cases import cases
from tests.analysis.paroxysm import Course, positional
from tests.analysis.sawtooth import unseen

COURSE = Course(RIGHT_POSTERIOR, latency_s=3.0, rise_s=2.0, tau_s=4.0)
OTHER = Course((-5.0, -30.0, -20.0))  # begins after 3.0 s too
REACHED_S = 25.0  # when the position is reached


def interval(latency: Finding) -> tuple[float, float]:
    assert latency.interval is not None
    return latency.interval


def latency_with_a_blink(from_s: float, until_s: float, course: Course = COURSE, **made: float) -> Finding:
    """The eye is not seen between these times after the position was reached."""
    seen = positional(BASELINE, right_down(course), UP, **made)
    shut = unseen(seen, REACHED_S + from_s, REACHED_S + until_s)
    return found(analyse_recording(shut, BORN).results[0], "latency")


def test_latency_runs_from_when_the_position_was_reached() -> None:
    shown = analysed(BASELINE, right_down(COURSE), UP, eyes=BOTH)
    for eye in BOTH:
        latency = found(shown, "latency", eye=eye)
        assert latency.value == pytest.approx(3.0, abs=0.15)
        assert interval(latency)[0] < 3.0 < interval(latency)[1]


@pytest.mark.parametrize("later_s", [-0.4, -0.2, 0.0])
def test_a_blink_about_the_beginning_is_within_the_interval(later_s: float) -> None:
    """Half a second is not seen, about the beginning at 3.0 s: the interval covers what was hidden."""
    low, high = interval(latency_with_a_blink(3.0 + later_s, 3.5 + later_s, OTHER, noise_deg=0.05))
    assert low < 3.0 < high
    assert high - low > 0.25


def test_a_blink_over_the_beginning_widens_the_interval() -> None:
    """The eye is not seen from 2.8 to 3.3 s after the position; the nystagmus begins at 3.0 s."""
    blinked = interval(latency_with_a_blink(2.8, 3.3))
    seen = interval(found(analysed(BASELINE, right_down(COURSE), UP), "latency"))
    assert blinked[0] < 3.0 < blinked[1]
    assert blinked[1] - blinked[0] > 2 * (seen[1] - seen[0])


def test_a_drift_that_a_blink_hides_began_before_the_blink() -> None:
    """It begins at 3.0 s and drifts at up to 5 deg/s until a blink hides the first quick phases."""
    latency = latency_with_a_blink(3.25, 3.65)
    assert latency.value == pytest.approx(3.0, abs=0.15)
    assert interval(latency)[0] < 3.0 < interval(latency)[1] < 3.25


def test_a_large_quick_phase_that_a_blink_cuts_off_is_no_slow_movement() -> None:
    """A drift of 11 deg, then a quick phase of 20 whose last hundredth a blink hides: it begins at 5.4 s."""
    (latency,) = (j for j in cases("positional", 1, 5_730_102) if j.measure == "latency main axis")
    assert latency.truth == pytest.approx(5.4, abs=0.01)
    assert latency.held
    assert latency.half_width < 0.3


def test_what_the_eye_does_before_is_not_the_beginning() -> None:
    """A jerk of 1 deg from 1.8 to 2.0 s; a drift of 0.3 deg/s that turns round at 2.4 s."""
    made = positional(BASELINE, right_down(COURSE), UP, noise_deg=0.05)
    moved = {}
    for eye, rows in made.samples.items():
        rows, since_s = rows.copy(), rows["time_s"] - REACHED_S
        rows["vertical_deg"] += ((since_s > 1.8) & (since_s < 2.0)) - 0.3 * np.abs(since_s - 2.4)
        moved[eye] = rows
    latency = found(analyse_recording(replace(made, samples=moved), BORN).results[0], "latency")
    assert latency.value == pytest.approx(3.0, abs=0.1)
    assert interval(latency)[1] - interval(latency)[0] < 0.4


@pytest.mark.parametrize("seed", range(3))
def test_a_course_whose_first_beats_come_late_rises_from_its_onset(seed: int) -> None:
    """-40 deg/s, 4 s after its beginning; its first slow phase, too slow to be told, is not in the run."""
    course = Course(peak_dps=RIGHT_POSTERIOR, rise_s=4.0, tau_s=12.0, beats_hz=1.2)
    result = analysed(BASELINE, right_down(course, 60), UP, procedure="dix_hallpike_right", seed=seed)
    peak, at = (found(result, key) for key in ("peak_slow_phase_velocity", "time_to_peak"))
    assert peak.value == pytest.approx(-40.0, abs=1.0)
    assert peak.interval is not None
    assert peak.interval[0] < -40.0 < peak.interval[1] < peak.interval[0] + 3.0
    assert at.value == pytest.approx(4.0, abs=0.5)


@pytest.mark.parametrize("power", [1.0, 2.0, 3.0])
@pytest.mark.parametrize("seed", range(3))
def test_however_it_begins_the_interval_holds_the_beginning(power: float, seed: int) -> None:
    """Even where it is so gentle that after a third of a second it is still below 1 deg/s."""
    course = Course(RIGHT_POSTERIOR, latency_s=3.0, rise_s=3.0, power=power, beats_hz=1.2)
    result = analysed(BASELINE, right_down(course), UP, seed=seed, noise_deg=0.1)
    low, high = interval(found(result, "latency"))
    assert low < 3.0 < high < low + 1.0


@pytest.mark.parametrize("order", range(3))
def test_the_ways_in_which_a_velocity_grows(order: int) -> None:
    """One lag: 1 - exp(-t / lag), whose integral over a lag is lag / e; all by quadrature."""
    lag, until_s = 6, 1.7
    way = _way(np.array([[[[until_s]]]]))[0, lag, order, 0]
    risen = quad(lambda t: gammainc(order + 1, t / LAGS_S[lag]), 0, until_s)[0]
    assert way == pytest.approx(risen, abs=1e-6)
    once = _way(LAGS_S[lag] * np.ones((1, 1, 1, 1)))[0, lag, 0, 0]
    assert once == pytest.approx(LAGS_S[lag] * np.exp(-1))
