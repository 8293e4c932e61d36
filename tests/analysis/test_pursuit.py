"""Pursuit and optokinetic measures against movements with known gain, lag, bias and saccades."""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan, pi

import numpy as np
import pytest

from analysis.battery import procedure_named
from analysis.calibration_in_intervals import with_calibration
from analysis.estimate import with_error
from analysis.finding import Finding
from analysis.optokinetic import asymmetry, gain
from analysis.pursuit import Pursuit, Sine, pursuit, sine_of
from analysis.stimulus import Shown, shown_from_arrays
from analysis.trace import Trace, trace_from_arrays
from tests.analysis.check_values import ROWS, near
from tests.analysis.stimulus_traces import STARTS_S, Eyed, following, recorded, result_of, trace_of


def sine(hz: float, start_s: float = 1.0) -> Sine:
    """15 deg, passing 0 toward the right at `start_s`."""
    return Sine(15.0, hz, -2 * pi * hz * start_s)


def followed(hz: float, seed: int, seen: Eyed = Eyed(), **how) -> Trace:  # noqa: B008
    rng = np.random.default_rng(seed)
    return trace_of(following(hz, 15.0, 1.0, 1 + 5 / hz, rng, **how), 1 + 5 / hz, seen, rng)


def measured(trace: Trace, hz: float) -> Pursuit:
    found = pursuit(trace, sine(hz), 1.0, 1 + 5 / hz)
    assert not isinstance(found, str), found
    return found


@pytest.mark.parametrize("hz", [0.1, 0.2, 0.3, 0.4])
def test_gain_and_phase_after_saccades_are_taken_out(hz: float) -> None:
    """Gain within 0.01, phase within 1 deg; lag of 20 ms: 360 x f x 0.02 deg."""
    for seed in range(3):
        found = measured(followed(hz, seed, Eyed(wander_deg=0.03), gain=(0.85, 0.85)), hz)
        assert found.gain.value == pytest.approx(0.85, abs=0.01)
        assert found.phase_deg.value == pytest.approx(-7.2 * hz, abs=1.0)
        assert found.cycles == 4


def test_directions_bias_and_saccades() -> None:
    """Gains of 0.9 and 0.7 with a drift of 3 deg/s to the left: 100 x 0.2 / 1.6 = 12.5 %."""
    found = measured(followed(0.2, 5, gain=(0.9, 0.7), bias_dps=-3.0), 0.2)
    assert found.gain_right.value == pytest.approx(0.9, abs=0.02)
    assert found.gain_left.value == pytest.approx(0.7, abs=0.02)
    assert found.asymmetry_percent.value == pytest.approx(12.5, abs=2.5)
    assert found.bias_dps.value == pytest.approx(-3.0, abs=0.25)


def perfect() -> Trace:
    """An eye that passes 0 with the target, at 0.2 Hz, for 4 cycles of 5 s: at most 18.85 deg/s."""
    return followed(0.2, 1, Eyed(noise_deg=0.0), gain=(1.0, 1.0), lag_s=0.0)


def test_what_a_wandering_eye_adds_in_every_cycle_alike() -> None:
    """Only the wander is left: 0.15 deg/s up to 0.5 Hz, whose power grows with the square of the frequency.

    As an amplitude over T s that is 0.15 sqrt(3 / (0.5 T)) f / 0.5, over 20 s 0.0329 deg/s at 0.2 and 0.0657
    at 0.4 Hz; of the target 0.00174 (0.0999 deg of its phase) and 0.00349. What goes at twice its frequency
    makes its sides unequal by 2.24 times that (next test), 0.00781; with 0.00174 of both, one of them 0.0080.
    """
    found = measured(perfect(), 0.2)
    assert found.gain.standard_error == pytest.approx(0.00174, rel=0.05)
    assert found.phase_deg.standard_error == pytest.approx(0.0999, rel=0.05)
    assert found.gain_right.standard_error == pytest.approx(0.0080, rel=0.05)
    assert found.asymmetry_percent.standard_error == pytest.approx(0.781, rel=0.05)
    assert found.bias_dps.standard_error == pytest.approx(2 / pi * 0.0078 * 18.85, rel=0.05)


def test_what_goes_at_twice_the_frequency_looks_like_unequal_sides() -> None:
    """0.05 deg at 0.4 Hz: A = 0.1257 deg/s. Of A cos 2x, |cos x| - 2/pi explains 0.2122 / 0.0947 A = 2.24 A.

    Their product has a mean of A / 2 x 4 / (3 pi) = 0.2122 A, its square one of 1/2 - 4/pi^2 = 0.0947. So
    0.2816 of 18.85 deg/s: sides of 1 +- 0.0149, and -2/pi x 0.2816 = -0.179 deg/s of bias.
    """
    trace = perfect()
    place = trace.position_deg.copy()
    place[:, 0] += 0.05 * np.sin(2 * pi * 0.4 * (trace.time_s - 1.0))
    found = measured(trace_from_arrays("right", trace.time_s, place), 0.2)
    assert found.gain_right.value == pytest.approx(1.0149, abs=0.001)
    assert found.asymmetry_percent.value == pytest.approx(1.49, abs=0.1)
    assert found.bias_dps.value == pytest.approx(-0.179, abs=0.01)


def test_share_of_saccades() -> None:
    """Gain 0.6 and all the rest by saccades along: 100 x 0.4 / (0.4 + 0.6) = 40 %; none with gain 1."""
    found = measured(followed(0.1, 6, Eyed(noise_deg=0.05), gain=(0.6, 0.6), lag_s=0.0), 0.1)
    assert found.saccade_percent.value == pytest.approx(40.0, abs=4.0)
    whole = measured(followed(0.1, 6, Eyed(noise_deg=0.05), gain=(1.0, 1.0), lag_s=0.0), 0.1)
    assert whole.saccade_percent.value == pytest.approx(0.0, abs=1.0)
    assert whole.gain.value == pytest.approx(1.0, abs=0.005)


class TestProperties:
    trace = followed(0.2, 7, gain=(0.9, 0.7))
    plain = measured(trace, 0.2)

    def test_mirror(self) -> None:
        mirrored = trace_from_arrays("right", self.trace.time_s, -self.trace.position_deg)
        found = pursuit(mirrored, Sine(15.0, 0.2, pi - 2 * pi * 0.2), 1.0, 26.0)
        assert not isinstance(found, str)
        assert found.gain_left.value == pytest.approx(self.plain.gain_right.value, abs=1e-3)
        assert found.asymmetry_percent.value == pytest.approx(-self.plain.asymmetry_percent.value, abs=0.1)
        assert found.phase_deg.value == pytest.approx(self.plain.phase_deg.value, abs=0.05)

    def test_shift_in_time(self) -> None:
        later = trace_from_arrays("right", self.trace.time_s + 4.0, self.trace.position_deg)
        found = pursuit(later, sine(0.2, 5.0), 5.0, 30.0)
        assert not isinstance(found, str)
        assert found.gain.value == pytest.approx(self.plain.gain.value, abs=1e-4)

    def test_scale(self) -> None:
        wider = trace_from_arrays("right", self.trace.time_s, 1.1 * self.trace.position_deg)
        found = measured(wider, 0.2)
        assert found.gain.value == pytest.approx(1.1 * self.plain.gain.value, rel=5e-3)
        assert found.phase_deg.value == pytest.approx(self.plain.phase_deg.value, abs=0.1)

    def test_fewer_frames(self) -> None:
        half = trace_from_arrays("right", self.trace.time_s[::2], self.trace.position_deg[::2])
        assert measured(half, 0.2).gain.value == pytest.approx(self.plain.gain.value, abs=0.01)

    def test_a_gap_costs_its_cycle(self) -> None:
        place = self.trace.position_deg.copy()
        place[(self.trace.time_s > 11.0) & (self.trace.time_s < 15.5)] = nan
        found = measured(trace_from_arrays("right", self.trace.time_s, place), 0.2)
        assert (found.cycles, found.cycles_dropped) == (3, 1)
        assert found.gain.value == pytest.approx(0.8, abs=0.015)

    @pytest.mark.parametrize("what", [nan, 0.0])
    def test_nothing_to_follow_with(self, what: float) -> None:
        trace = trace_from_arrays("right", self.trace.time_s, np.full_like(self.trace.position_deg, what))
        found = pursuit(trace, sine(0.2), 1.0, 26.0)
        assert isinstance(found, str)


class TestTarget:
    time = np.arange(0.0, 25.0, 1 / 60)

    def shown(self, place: np.ndarray) -> Shown:
        return shown_from_arrays(self.time, np.column_stack((place, 0 * place)), 25.0)

    def test_the_sine_is_read_off_the_targets(self) -> None:
        found = sine_of(self.shown(12.0 * np.sin(2 * pi * 0.2 * self.time + 0.5)), 0.2)
        assert not isinstance(found, str)
        assert (found.amplitude_deg, found.phase_rad) == pytest.approx((12.0, 0.5), abs=1e-6)

    def test_another_course_is_not_taken_for_one(self) -> None:
        assert "not move on a sine" in str(sine_of(self.shown(12.0 * np.sign(np.sin(self.time))), 0.2))
        assert "not move on a sine" in str(sine_of(self.shown(0 * self.time), 0.2))

    @pytest.mark.parametrize("hz", [0.0, -0.1, nan])
    def test_a_frequency_that_is_none(self, hz: float) -> None:
        with pytest.raises(ValueError, match="frequency_hz"):
            sine_of(self.shown(self.time), hz)

    def test_a_span_that_is_none(self) -> None:
        with pytest.raises(ValueError, match="end_s"):
            pursuit(TestProperties.trace, sine(0.2), 2.0, 1.0)


def test_reasons_of_the_whole_test() -> None:
    """One frequency led, degrees not calibrated: phase and asymmetry stand, gain does not."""
    procedure = procedure_named("pursuit")
    one = replace(procedure, steps=procedure.steps[3:])
    path = following(0.4, 15.0, STARTS_S, STARTS_S + 12.5, np.random.default_rng(3), gain=(0.8, 0.8))
    made = recorded(one, {"right": path}, Eyed(), np.random.default_rng(3))
    loose = replace(next(iter(made.calibrations.values())), calibrated=False)
    result = result_of(replace(made, calibrations={"right": loose}))
    found = {(f.key, f.step): f for f in result.findings}
    assert found["pursuit_gain", "pursuit 0.4 Hz"].reason == "uncalibrated"
    assert found["pursuit_phase", "pursuit 0.4 Hz"].value == pytest.approx(-2.88, abs=1.0)
    assert found["pursuit_asymmetry", "pursuit 0.4 Hz"].value == pytest.approx(0.0, abs=2.5)
    assert found["pursuit_gain", "pursuit 0.1 Hz"].reason == "step not recorded"


class TestOptokinetic:
    """Responses signed as slow phases: positive to the right."""

    @pytest.mark.parametrize(
        ("velocity", "field", "expected"),
        [
            (31.0, 40.0, 0.775),
            (-27.0, -40.0, 0.675),
            (10.0, 20.0, 0.5),
            (-4.0, 20.0, -0.2),
            (21.0, 20.0, 1.05),
        ],
    )
    def test_gain_by_hand(self, velocity: float, field: float, expected: float) -> None:
        assert gain(with_error(velocity, 0.1), field).value == pytest.approx(expected)

    def test_the_error_of_a_gain(self) -> None:
        """1 deg/s of 40: 0.025, interval 1.96 times that on each side."""
        found = gain(with_error(30.0, 1.0), -40.0)
        assert found.standard_error == pytest.approx(0.025)
        assert found.interval == pytest.approx((-0.75 - 0.049, -0.75 + 0.049))

    @pytest.mark.parametrize(
        ("right", "left", "rest", "expected"),
        [
            (31.0, -27.0, 0.0, 6.90),  # 4 / 58
            (31.0, -27.0, -2.0, 13.79),  # 33 and 25: 8 / 58
            (20.0, -20.0, 0.0, 0.0),
            (15.0, -5.0, 0.0, 50.0),
            (18.0, -22.0, -2.0, 0.0),  # 20 and 20
            (27.0, -31.0, 2.0, -13.79),
        ],
    )
    def test_asymmetry_by_hand(self, right: float, left: float, rest: float, expected: float) -> None:
        found = asymmetry(with_error(right, 0.2), with_error(left, 0.2), with_error(rest, 0.2))
        assert not isinstance(found, str)
        assert found.value == pytest.approx(expected, abs=0.005)

    def test_a_field_that_is_not_followed_has_none(self) -> None:
        assert isinstance(asymmetry(with_error(-1.0, 0.2), with_error(-20.0, 0.2)), str)

    @pytest.mark.parametrize(
        ("right", "left", "error"),
        [
            (0.4, -0.2, 0.02),  # drifts: 33 % more to the right would be noise
            (1.2, -1.0, 0.2),  # 2.2 - 1.96 * 0.28 = 1.65, below twice 1 deg/s
            (30.0, -20.0, inf),
        ],
    )
    def test_fields_that_are_hardly_followed_have_none(self, right: float, left: float, error: float) -> None:
        found = asymmetry(with_error(right, error), with_error(left, error))
        assert isinstance(found, str)
        assert "a percentage would be noise" in found

    def test_weak_but_sure_responses_have_one(self) -> None:
        found = asymmetry(with_error(3.0, 0.05), with_error(-2.0, 0.05))
        assert not isinstance(found, str)
        assert found.value == pytest.approx(20.0)

    def test_a_field_that_rests_is_a_mistake(self) -> None:
        with pytest.raises(ValueError, match="field_dps"):
            gain(with_error(3.0, 0.1), 0.0)

    def test_check_values(self) -> None:
        row = ROWS["OKN-03"]
        given, expected = row["inputs"], row["expected"]
        right, left = with_error(given["spv_stripes_right"], 0), with_error(given["spv_stripes_left"], 0)
        assert gain(right, given["stim"]).value == pytest.approx(expected["gain_right"])
        assert gain(left, -given["stim"]).value == pytest.approx(expected["gain_left"])
        plain, corrected = asymmetry(right, left), asymmetry(right, left, with_error(given["sn"], 0))
        assert not isinstance(plain, str)
        assert not isinstance(corrected, str)
        assert plain.value == near(row, expected["asym_pct"])
        assert corrected.value == near(row, expected["asym_corrected_pct"])


def test_pursuit_rows_of_the_check_values() -> None:
    """The row's amplitudes and lag, followed without noise."""
    row = ROWS["PUR-03"]
    given = row["inputs"]
    hz, share, lag_s = given["f_hz"], given["eye_amp"] / given["target_amp"], given["lag_ms"] / 1000
    how = {"gain": (share, share), "lag_s": lag_s, "catch_up": False}
    found = measured(followed(hz, 1, Eyed(noise_deg=0.01), **how), hz)
    assert found.gain.value == near(row, row["expected"]["gain"])
    assert found.phase_deg.value == pytest.approx(row["expected"]["phase_deg"], abs=0.05)


def test_a_gain_is_as_unsure_as_the_calibrations_own_gain() -> None:
    """2 % of 0.9 is 0.018, 1.96 times that 0.0353; with 0.01 beside it sqrt(0.0353^2 + 0.01^2) = 0.0367."""
    errors = np.zeros((1, 3, 3))
    errors[0, 0, 0] = 0.02
    plain = Finding("pursuit_gain", "gain", "", 0.9, eye="right", axis="horizontal", interval=(0.89, 0.91))
    (found,) = with_calibration([plain], {"right": ("a", errors)})
    assert found.interval == pytest.approx((0.9 - 0.0367, 0.9 + 0.0367), abs=2e-4)
    assert found.calibration_error == pytest.approx(0.018)
