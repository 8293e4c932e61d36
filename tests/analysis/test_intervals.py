"""Intervals: what goes into them, by hand, and how often they hold the truth of invented patients."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from analysis.battery import procedure_named
from analysis.battery.caloric_summary import summarise
from analysis.calibration_in_intervals import HELD, NOT_HELD, errors_of, note, with_calibration
from analysis.estimate import error_of
from analysis.finding import Finding
from analysis.fixation import absolute_reduction, fixation_index
from analysis.median_error import alike_factor, biweight_scatter, median_error
from analysis.nystagmus import drift
from analysis.procedure import Result
from analysis.trace import trace_from_arrays
from capture.samples import AXES, Eye
from capture.simulation.patterns import Pattern
from capture.simulation.traces import Seeing
from tests.analysis.interval_cases import cases
from tests.analysis.interval_draw import Judged, calibrations, known
from tests.analysis.led_patient import lead
from tests.analysis.sawtooth import Calibrated

NOT_KNOWN = np.full(400, np.nan)


def missed(draw, count: int, tries: int = 1500) -> float:
    """Share of medians of `count` values, whose true median is 0, that lie beyond their reach."""
    rng, beyond = np.random.default_rng(17), 0
    for _ in range(tries):
        values = draw(rng, count)
        beyond += abs(float(np.median(values))) > median_error(values, NOT_KNOWN[:count])[1]
    return beyond / tries


class TestMedian:
    """5 % are missed where the interval is exact; 1500 tries of 5 % scatter by 0.6 %."""

    @pytest.mark.parametrize("count", [4, 7, 12, 40, 200])
    def test_of_even_noise(self, count: int) -> None:
        assert 0.015 < missed(lambda rng, n: rng.standard_normal(n), count) < 0.08

    @pytest.mark.parametrize("count", [12, 60])
    def test_of_beats_of_different_length(self, count: int) -> None:
        """Errors of slopes go with length to the power -1.5; few of them are held more often than stated."""
        lengths = lambda rng, n: rng.standard_normal(n) * rng.uniform(0.2, 1.0, n) ** -1.5  # noqa: E731
        assert 0.005 < missed(lengths, count) < 0.08

    def test_of_neighbours_that_resemble_each_other(self) -> None:
        def lasting(rng: np.random.Generator, n: int) -> np.ndarray:
            values = rng.standard_normal(n)
            for i in range(1, n):
                values[i] = 0.5 * values[i - 1] + math.sqrt(0.75) * values[i]
            return values

        assert 0.015 < missed(lasting, 60) < 0.10

    def test_of_what_fades_evenly(self) -> None:
        """From 10 to -10, scatter 1. Each lies beyond the middle by chance p, a normal share of its place.

        The variance of the median is the sum of p (1 - p) over the square of the density, of n values in 20:
        0.564 x 20 / n; of 200 values the median strays by 0.24, and 1.96 of that are 0.47.
        """
        fading = lambda rng, n: np.linspace(10.0, -10.0, n) + rng.standard_normal(n)  # noqa: E731
        assert 0.015 < missed(fading, 200) < 0.08
        reach = np.median(
            [median_error(fading(np.random.default_rng(k), 200), NOT_KNOWN[:200])[1] for k in range(50)]
        )
        assert reach == pytest.approx(0.47, rel=0.2)

    def test_a_stray_at_the_end_is_no_course(self) -> None:
        values = np.random.default_rng(4).standard_normal(40)
        reach = median_error(values, NOT_KNOWN[:40])[1]
        values[0] = 300.0
        assert median_error(values, NOT_KNOWN[:40])[1] < 1.5 * reach

    def test_strays_hardly_count(self) -> None:
        """Of 19 values in steps of 1 and a stray: the scatter of the steps, sqrt((19^2 - 1) / 12) = 5.5."""
        values = np.r_[np.arange(-9.0, 10.0), 1000.0]
        assert biweight_scatter(values) == pytest.approx(5.5, rel=0.2)

    def test_all_alike(self) -> None:
        assert median_error(np.full(30, 2.0), NOT_KNOWN[:30]) == (0.0, 0.0)

    def test_few_that_oppose_each_other_are_told_by_their_ranks_alone(self) -> None:
        """By hand: 0 to 19, great and small by turns. 1.96 sqrt(20) / 2 = 4.383 ranks to each side.

        They oppose each other by more than the 0.2 that count, so times the root of 0.8 / 1.2: 3.579.
        """
        values = np.arange(20.0).reshape(2, 10)[::-1].T.ravel()
        assert median_error(values, NOT_KNOWN[:20], -0.2)[1] == pytest.approx(3.579, abs=0.001)


def velocity(
    axis: str, value: float, half: float, key: str = "slow_phase_velocity", **more: object
) -> Finding:
    return Finding(
        key, key, "deg/s", value, step="dark", eye="right", axis=axis, standard_error=half / 2,
        interval=(value - half, value + half), **more,  # type: ignore[arg-type]
    )  # fmt: skip


def matrix(**entries: float) -> np.ndarray:
    """(1, 3, 3) with these entries, named by row and column: hv is what horizontal takes from vertical."""
    made = np.zeros((1, 3, 3))
    for name, value in entries.items():
        made[0, "hvt".index(name[0]), "hvt".index(name[1])] = value
    return made


class TestCalibration:
    def test_gain_joins_by_squares(self) -> None:
        """Gain off by 2 % of 50 deg/s: 1 deg/s. 1.96 and 1.5 together: sqrt(1.96^2 + 1.5^2) = 2.468."""
        errors: dict[Eye, tuple[str, np.ndarray]] = {"right": ("a", matrix(hh=0.02))}
        (held,) = with_calibration([velocity("horizontal", -50.0, 1.5)], errors)
        assert held.interval == pytest.approx((-52.468, -47.532), abs=1e-3)
        assert held.calibration_error == pytest.approx(1.0)
        assert held.standard_error == 0.75  # that of the beats alone

    def test_other_axes_leak_in(self) -> None:
        """3 % of 40 deg/s vertical on a torsion of -5 that errs by 4 % itself, of one cause: 1.2 - 0.2."""
        both = [velocity("vertical", 40.0, 1.0), velocity("torsional", -5.0, 0.1)]
        held = with_calibration(both, {"right": ("a", matrix(tv=0.03, tt=0.04))})
        assert [f.calibration_error for f in held] == pytest.approx([0.0, 1.0])
        apart = np.concatenate((matrix(tv=0.03), matrix(tt=0.04)))  # of two causes: sqrt(1.2^2 + 0.2^2)
        held = with_calibration(both, {"right": ("a", apart)})
        assert held[1].calibration_error == pytest.approx(1.2166, abs=1e-4)

    def test_other_steps_eyes_and_percentages_are_left_alone(self) -> None:
        index = Finding(
            "fixation_index", "index", "", 0.3, eye="right", axis="horizontal", interval=(0.2, 0.4)
        )
        other = velocity("horizontal", 10.0, 1.0)
        errors: dict[Eye, tuple[str, np.ndarray]] = {"left": ("a", matrix(hh=0.5))}
        assert with_calibration([index, other], errors) == (index, other)
        assert with_calibration([index], {"right": ("a", matrix(hh=0.5))}) == (index,)

    def test_what_is_said_of_it(self) -> None:
        plain = velocity("horizontal", 10.0, 1.0)
        held = with_calibration([plain], {"right": ("a", matrix(hh=0.02))})
        assert (note([plain]), note(held), note([])) == (NOT_HELD, HELD, "")

    def test_one_that_states_nothing_adds_nothing(self) -> None:
        assert errors_of({"right": Calibrated()}) == {}  # type: ignore[dict-item]
        assert list(errors_of({"right": calibrations()[0]})) == ["right"]


def irrigations(names: Sequence[str]) -> list[Result]:
    """RW 12, RC -10, LW -30, LC 28 right-beating, each with a gain that may be off by 10 %."""
    speeds = {"right_warm": -12.0, "right_cool": 10.0, "left_warm": 30.0, "left_cool": -28.0}
    made = []
    for (key, speed), name in zip(speeds.items(), names, strict=True):
        peak = velocity("horizontal", speed, 0.0, "culmination_velocity", calibration_error=abs(speed) / 10)
        made.append(Result(f"caloric_{key}", "", (), (replace(peak, calibration=name),)))
    return made


class TestCommonGain:
    """R = 22, L = 58 deg/s; a weakness of 45 % on the right (clinical reference 17.8)."""

    def test_of_one_calibration_cancels_in_percent_and_stays_in_sums(self) -> None:
        found = {f.key: f for f in summarise(irrigations("aaaa")).findings}
        assert found["unilateral_weakness"].interval == pytest.approx((-45.0, -45.0))
        assert error_of(found["left_sum"].interval) == pytest.approx(5.8)  # 10 % of 58
        assert found["left_sum"].calibration_error == pytest.approx(5.8)

    def test_of_four_calibrations_does_not_cancel(self) -> None:
        """Sums err by sqrt(1.2^2 + 1^2) = 1.56 and sqrt(3^2 + 2.8^2) = 4.10."""
        found = {f.key: f for f in summarise(irrigations("abcd")).findings}
        assert found["right_sum"].standard_error == pytest.approx(1.562, abs=1e-3)
        assert found["left_sum"].standard_error == pytest.approx(4.104, abs=1e-3)
        low, high = found["unilateral_weakness"].interval or (0.0, 0.0)
        assert low < -49
        assert high > -41


def test_alexander_slope_is_as_unsure_as_both_gazes() -> None:
    """Growth of 2 % a degree of 10 deg/s: 0.2 deg/s per deg. No noise, so the interval is narrow."""
    patient = Pattern((10.0, 0.0, 0.0), in_light=1.0, alexander=0.02, wander_deg=0.0, variation=0.05)
    led = lead(procedure_named("gaze_holding"), patient, 3, {"right": Seeing(rate_hz=100.0)})
    found = {f.key: f for f in led.result().findings}
    slope, (low, high) = found["alexander_slope"], found["alexander_slope"].interval or (0.0, 0.0)
    assert slope.value == pytest.approx(0.2, abs=0.02)
    gazes = [
        error_of(f.interval)
        for f in led.result().findings
        if f.key == "slow_phase_velocity" and f.step in ("gaze right", "gaze left") and f.axis == AXES[0]
    ]
    assert (high - low) / 2 == pytest.approx(1.96 * math.hypot(*gazes) / 50, rel=1e-6)


class TestFixation:
    def test_index(self) -> None:
        """3 +- 0.3 over an exact 10: 0.3 +- 1.96 x 0.03; the reduction 7 +- 1.96 x 0.3."""
        index = fixation_index(-10.0, -3.0, 0.0, 0.3)
        assert index is not None
        assert index.interval == pytest.approx((0.2412, 0.3588), abs=1e-4)
        assert absolute_reduction(-10.0, -3.0, 0.0, 0.3).interval == pytest.approx((6.412, 7.588))

    def test_never_below_0(self) -> None:
        index = fixation_index(10.0, 0.1, 0.5, 0.3)
        assert index is not None
        assert index.interval[0] == 0.0


def share(judged: Sequence[Judged], measure: str) -> tuple[float, float]:
    """Of the cases of a measure: answered, and held of the answered."""
    some = [j for j in judged if j.measure.startswith(measure)]
    good = [j for j in some if known(j)]
    return len(good) / len(some), sum(j.held for j in good) / len(good)


def test_velocity_of_some_patients_is_held() -> None:
    """18 patients, three axes: 95 % +- 3 % if all were independent."""
    answered, held = share(cases("spontaneous", 24), "slow_phase_velocity")
    assert answered > 0.9
    assert held >= 0.85


@pytest.mark.long
def test_velocities_are_held_as_often_as_stated() -> None:
    judged = cases("spontaneous", 320, first=5000)
    for axis in AXES:
        answered, held = share(judged, f"slow_phase_velocity {axis}")
        assert answered > 0.95
        assert 0.92 <= held <= 0.99
    assert 0.9 <= share(judged, "fixation_index")[1] <= 0.99


@pytest.mark.long
def test_courses_are_held_as_often_as_stated() -> None:
    judged = cases("positional", 70, first=5000)
    for measure in ("peak", "latency", "duration", "time_constant"):
        answered, held = share(judged, measure)
        assert answered > 0.85
        assert held >= 0.88


@pytest.mark.parametrize(("least", "factor"), [(0.0, 1.0), (-0.2, math.sqrt(0.8 / 1.2))])
def test_neighbours_that_oppose_each_other_are_heeded_as_far_as_is_known(least: float, factor: float) -> None:
    """1 and -1 in turn: their correlation is nearly -1; sqrt((1 + r) / (1 - r)) of what r may be at least."""
    assert alike_factor(np.tile([1.0, -1.0], 10), 1, least) == pytest.approx(factor)


def test_drift_of_a_resting_eye_holds_and_is_not_too_careful() -> None:
    """50 eyes, 8 s each, that stray from a place by 0.1 deg for 0.3 s and come back: the truth is 0 deg/s.

    Of 95 % intervals fewer than 43 hold by a chance of 1 in 300 (binomial).
    """
    time, slow = np.arange(0.0, 8.0, 0.01), math.exp(-0.01 / 0.3)
    found = []
    for seed in range(50):
        fresh = np.random.default_rng(seed).normal(0.0, 0.1 * math.sqrt(1 - slow**2), (time.size, 3))
        place = np.asarray(lfilter([1.0], [1.0, -slow], fresh, axis=0))
        middle = drift(trace_from_arrays("right", time, place), 0.0, 8.0, 0, 0.25)
        assert middle is not None
        found.append((middle.median, (middle.interval[1] - middle.interval[0]) / 2))
    errors, halves = np.array(found).T
    assert np.count_nonzero(np.abs(errors) <= halves) >= 43
    assert 1 / (1.96 * np.std(errors / halves)) < 1.5
