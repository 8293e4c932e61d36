"""What cannot be measured: numbers that are none name their argument, and never become a result."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import inf, nan

import numpy as np
import pytest

from analysis.beats import Beat
from analysis.caloric import (
    IRRIGATIONS,
    Response,
    expected_sign,
    right_beating,
    total,
    unilateral_weakness,
)
from analysis.caloric_response import culmination
from analysis.cover import uncoverings
from analysis.estimate import Estimate, percent_of, with_error
from analysis.fixation import absolute_reduction, fixation_index, suppression_percent
from analysis.gaze import alexander_slope, integrator_time_constant_s
from analysis.main_sequence import contrast, duration_line, fit
from analysis.median_error import error_about_line
from analysis.null_angle import null_angle
from analysis.nystagmus import drift, middle, valid_seconds
from analysis.optokinetic import asymmetry, gain
from analysis.positional import asymmetry as side_asymmetry
from analysis.positional import decay, fatigue_ratio
from analysis.pursuit import Sine, pursuit
from analysis.spans import velocity_in
from analysis.square_wave_jerks import jerks_visible
from analysis.trace import Trace, trace_from_arrays
from analysis.visual_vertical import against_gravity, static_vertical, visual_dependence

TIME = np.arange(0.0, 20.0, 0.02)
REST = trace_from_arrays("right", TIME, np.zeros((TIME.size, 3)))
NEVER_SEEN = trace_from_arrays("right", TIME, np.full((TIME.size, 3), nan))
EMPTY = trace_from_arrays("right", [], np.empty((0, 3)))
NONE: tuple[Beat, ...] = ()
SURE = with_error(20.0, 0.5)


@pytest.mark.parametrize("bad", [nan, inf, -inf, 1e300, -1e300])
@pytest.mark.parametrize(
    ("name", "called"),
    [
        ("dark_dps", lambda x: fixation_index(x, -2.0)),
        ("fixation_dps", lambda x: fixation_index(-8.0, x)),
        ("dark_se_dps", lambda x: fixation_index(-8.0, -2.0, x)),
        ("fixation_dps", lambda x: absolute_reduction(-8.0, x)),
        ("fast_side_dps", lambda x: alexander_slope(x, 4.0)),
        ("between_deg", lambda x: alexander_slope(12.0, 4.0, x)),
        ("top", lambda x: percent_of(x, 2.0, 0.1, 0.1)),
        ("velocity", lambda x: gain(with_error(x, 0.4), 40.0)),
        ("to_right", lambda x: asymmetry(with_error(x, 0.4), with_error(-20.0, 0.4))),
        ("spontaneous", lambda x: asymmetry(SURE, with_error(-20.0, 0.4), with_error(x, 0.4))),
        ("other", lambda x: contrast(SURE, with_error(x, 0.4))),
        ("end_s", lambda x: uncoverings(0.0, x, 2.0)),
        ("values", lambda x: error_about_line(np.arange(9.0), np.full(9, x), np.full(9, nan))),
        ("start_s", lambda x: drift(REST, x, 10.0, 0, 0.25)),
        ("end_s", lambda x: velocity_in(REST, NONE, 0, 0.0, x)),
        ("end_s", lambda x: jerks_visible(REST, 0.0, x)),
        ("started_s", lambda x: culmination(REST, NONE, 0, x, 160.0)),
        ("end_s", lambda x: pursuit(REST, Sine(15.0, 0.2, 0.0), 0.0, x)),
        ("target", lambda x: pursuit(REST, Sine(15.0, x, 0.0), 0.0, 20.0)),
        ("target", lambda x: pursuit(REST, Sine(x, 0.2, 0.0), 0.0, 20.0)),
        ("slow_phase_velocity_dps", right_beating),
        ("index", suppression_percent),
        ("eccentricity_deg", lambda x: integrator_time_constant_s(x, -2.0)),
        ("right_dps", lambda x: side_asymmetry(x, 4.0, 0.3)),
        ("first_dps", lambda x: fatigue_ratio(20.0, x)),
        ("speed_dps", lambda x: decay(np.arange(4.0), np.array([8.0, 4.0, x, 1.0]))),
        ("velocity_dps", lambda x: null_angle([10.0, 20.0], [3.0, x], [(2.0, 4.0), (-4.0, -2.0)])),
        ("settings_deg", lambda x: static_vertical([x, 1, 2, 3, 4, 5], [1, -1, 1, -1, 1, -1])),
        ("reading_deg", lambda x: against_gravity(x, [(0.0, -0.8)])),
        ("clockwise_deg", lambda x: visual_dependence(x, -6.0)),
        ("peak_velocity_dps", lambda x: fit([5.0, 10.0, 15.0, 20.0] * 2, [200.0] * 7 + [x])),
        ("duration_s", lambda x: duration_line([5.0, 10.0, 15.0, 20.0] * 2, [0.05] * 7 + [x])),
        ("values", lambda x: middle(np.array([1.0, x, 2.0]), np.full(3, nan))),
    ],
)
def test_a_number_that_is_none_is_named(name: str, called: Callable[[float], object], bad: float) -> None:
    with pytest.raises(ValueError, match=name):
        called(bad)


def test_a_target_that_rests_is_none_to_follow() -> None:
    with pytest.raises(ValueError, match="target"):
        pursuit(REST, Sine(15.0, 0.0, 0.0), 0.0, 20.0)


def test_an_error_that_is_infinite_leaves_the_percentage_open() -> None:
    assert percent_of(36.0, 80.0, 1.0, inf) == Estimate(45.0, inf, (-inf, inf))


@pytest.mark.parametrize(
    "field", ["right_beating_dps", "standard_error_dps", "before_dps", "before_error_dps"]
)
def test_responses_that_are_no_numbers(field: str) -> None:
    responses = {i: Response(20.0 * expected_sign(i), 1.0, 0.5, 0.1) for i in IRRIGATIONS}
    assert total(responses).value == 80.0
    for bad in (nan, 1e300):
        responses["left", "cool"] = replace(responses["left", "cool"], **{field: bad})
        with pytest.raises(ValueError, match="responses"):
            unilateral_weakness(responses)


@pytest.mark.parametrize("trace", [NEVER_SEEN, EMPTY])
def test_an_eye_that_was_not_seen(trace: Trace) -> None:
    assert valid_seconds(trace, 0.0, 20.0) == 0.0
    assert drift(trace, 0.0, 20.0, 0, 0.25) is None
    assert isinstance(culmination(trace, NONE, 0, 0.0, 160.0), str)
    assert isinstance(pursuit(trace, Sine(15.0, 0.2, 0.0), 0.0, 20.0), str)
