"""The calibration's own error in intervals, by hand: a gain that is unsure by 2 % across, 1 % of up leaks in.

Reach of an interval: the root of the squares of its own and of 1.96 times the calibration's error.
"""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from analysis.calibration_in_intervals import HELD, NOT_HELD, errors_of, note, widened, with_calibration
from analysis.finding import Finding
from capture.samples import AXES, Eye
from tests.analysis.interval_draw import calibrations

ERRORS = np.array([[[0.02, 0.01, 0.0], [0.0, 0.03, 0.0], [0.0, 0.0, 0.0]]])  # one way to be wrong
RIGHT = {"right": ("abc", ERRORS)}
BOTH = {"right": ("abc", ERRORS), "left": ("def", 2 * ERRORS)}


def one(
    key: str, value: float | None, reach: float, unit: str = "deg/s", axis: int = 0, eye: Eye | None = "right"
) -> Finding:
    between = None if value is None else (value - reach, value + reach)
    reason = "not seen" if value is None else ""
    return Finding(key, key, unit, value, reason, step="dark", eye=eye, axis=AXES[axis], interval=between)


def reach_of(found: Finding) -> float:
    assert found.interval is not None
    assert found.value is not None
    assert found.interval[1] - found.value == pytest.approx(found.value - found.interval[0])
    return found.interval[1] - found.value


def test_a_velocity_and_what_leaks_into_it() -> None:
    """0.02 x 10 + 0.01 x 4 = 0.24 deg/s; root of 1 and 0.4704 squared: 1.105."""
    across, up = with_calibration(
        (one("slow_phase_velocity", 10.0, 1.0), one("slow_phase_velocity", 4.0, 0.5, axis=1)), RIGHT
    )
    assert reach_of(across) == pytest.approx(1.105, abs=0.001)
    assert (across.calibration_error, across.calibration) == (pytest.approx(0.24), "abc")
    assert reach_of(up) == pytest.approx(0.5526, abs=0.001)  # 1.96 x 0.12 = 0.2352
    assert note((across, up)) == HELD
    assert note((across, one("slow_phase_velocity", 1.0, 0.1))) == NOT_HELD


def test_sizes_without_a_sign_add_by_squares() -> None:
    """0.02 x 4 = 0.08 and 0.01 x 3 = 0.03: 0.0854; 1.96 of it and 0.1: 0.195."""
    size, _ = with_calibration(
        (
            one("quick_phase_amplitude", 4.0, 0.1, "deg"),
            one("quick_phase_amplitude", 3.0, 0.1, "deg", axis=1),
        ),
        RIGHT,
    )
    assert reach_of(size) == pytest.approx(0.1951, abs=0.0005)


def test_a_gain_is_as_unsure_as_the_calibrations() -> None:
    """0.9 x 0.02 = 0.018; root of 0.05 and 0.03528 squared: 0.0612."""
    (gain,) = with_calibration((one("saccade_gain_right", 0.9, 0.05, ""),), RIGHT)
    assert reach_of(gain) == pytest.approx(0.0612, abs=0.0001)


def test_a_time_constant_by_the_velocity_that_it_is_of() -> None:
    """10 s at 2.5 deg/s: 2 % of it are 0.2 s; root of 1 and 0.392 squared: 1.074."""
    tau = one("integrator_time_constant", 10.0, 1.0, "s")
    known, _ = with_calibration((tau, one("slow_phase_velocity", -2.5, 0.1)), RIGHT)
    assert reach_of(known) == pytest.approx(1.0741, abs=0.0005)
    assert with_calibration((tau,), RIGHT) == (tau,)  # no velocity known


def test_the_end_of_a_fading_nystagmus_by_its_time_constant() -> None:
    """Beside 60 deg/s up, 1 % of which leaks in, 6 across are unsure by 0.02 x 6 + 0.01 x 60 = 0.72: 12 %.

    Of a time constant of 8 s, told by the fast axis alone, that is 0.96 s; with 1 s of its own: 2.13.
    """
    fast = (one("peak_slow_phase_velocity", 60.0, 2.0, axis=1), one("time_constant", 8.0, 0.5, "s", axis=1))
    slow = (one("peak_slow_phase_velocity", 6.0, 1.0), one("duration", 16.3, 1.0, "s"))
    *_, ended = with_calibration((*fast, *slow), RIGHT)
    assert reach_of(ended) == pytest.approx(2.131, abs=0.001)
    *_, alone = with_calibration(slow, RIGHT)
    assert reach_of(alone) == pytest.approx(1.0)  # no time constant: it does not fade


def test_the_peak_velocity_at_one_amplitude() -> None:
    """Vmax 500 deg/s, C 10 deg. Seen 2 % too large, the eye is at 10 deg when it truly moved 9.804 deg.

    500 x 1.02 (1 - exp(-.9804)) = 318.68 against 316.06 deg/s: 2.6, not 2 % of 316.06 = 6.3; root of 5 and
    1.96 x 2.606 squared: 7.15 (to first order 7.20). Without a curve all of it.
    """
    peak = one("saccade_peak_10_right", 316.06, 5.0)
    known, _ = with_calibration((peak, one("main_sequence_constant_right", 10.0, 2.0, "deg")), RIGHT)
    assert reach_of(known) == pytest.approx(7.15, abs=0.06)
    (alone,) = with_calibration((peak,), RIGHT)
    assert alone.calibration_error == pytest.approx(6.32, abs=0.01)


def test_between_eyes_both_must_say_how_wrong_they_may_be() -> None:
    """0.2 and 2 x 0.02 x 8 = 0.32: 0.3774; 1.96 of it and 0.3: 0.798."""
    found = (
        one("eye_difference", 2.0, 0.3, eye=None),
        one("slow_phase_velocity", 10.0, 1.0),
        one("slow_phase_velocity", 8.0, 1.0, eye="left"),
    )
    assert reach_of(with_calibration(found, BOTH)[0]) == pytest.approx(0.798, abs=0.001)
    assert with_calibration(found, RIGHT)[0] == found[0]


def test_what_is_relative_or_missing_stays() -> None:
    for finding in (
        one("time_share", 50.0, 2.0, "%"),
        one("slow_phase_velocity", None, 0.0),
        one("slow_phase_velocity", 5.0, 1.0, eye="left"),
    ):
        assert with_calibration((finding,), RIGHT) == (finding,)
    assert widened(one("x", None, 0.0), 1.0).interval is None


def test_only_a_calibration_that_says_how_wrong_it_may_be_has_errors() -> None:
    """Without a covariance, or of an average eye, nothing is known; the name is that of the errors."""
    known = calibrations()[0]
    for silent in (replace(known, covariance=()), replace(known, calibrated=False)):
        assert errors_of({"right": silent, "left": known}).keys() == {"left"}
    told = errors_of({"right": known, "left": known})
    assert told["right"][0] == told["left"][0]
    assert told["right"][1].shape[1:] == (3, 3)
    assert np.abs(told["right"][1]).max() > 0


def test_without_velocities_there_is_no_note() -> None:
    assert note([one("latency", 1.0, 0.1, unit="s"), one("slow_phase_velocity", None, 0.0)]) == ""
