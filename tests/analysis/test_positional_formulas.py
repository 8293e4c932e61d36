"""Formulas of the positional measures against hand computation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.positional import asymmetry, decay, fatigue_ratio, is_even
from analysis.positional_runs import CourseSettings, Run, smoothed


class TestFormulas:
    def test_decay_of_an_exact_exponential(self) -> None:
        time = np.arange(0, 12, 0.4)
        tau = decay(time, 50 * np.exp(-time / 3.7))
        assert tau.value == pytest.approx(3.7, rel=1e-9)  # type: ignore[union-attr]
        assert tau.interval == pytest.approx((3.7, 3.7), rel=1e-6)  # type: ignore[union-attr]

    def test_decay_is_robust_to_one_stray_beat(self) -> None:
        time = np.arange(0, 12, 0.4)
        speed = 50 * np.exp(-time / 3.7)
        speed[5] *= 3
        assert decay(time, speed).value == pytest.approx(3.7, rel=0.03)  # type: ignore[union-attr]

    def test_what_grows_has_no_time_constant(self) -> None:
        time = np.arange(0, 4, 0.4)
        assert decay(time, np.exp(time)) == "the slow phase does not fade"

    @pytest.mark.parametrize("time", [[0.0], [0.0, 0.0], [1.0, 0.5]])
    def test_times_that_do_not_rise_are_a_mistake(self, time: list[float]) -> None:
        with pytest.raises(ValueError, match="time_s"):
            decay(np.array(time), np.ones(len(time)))

    @pytest.mark.parametrize(
        ("shares", "even"),
        [
            (lambda time: 1.0, True),
            (lambda time: 1 - 0.1 * np.sin(time) ** 2, True),  # a little uneven, as eyes are
            (lambda time: 1 - 0.7 * np.sin(np.pi * time / 24) ** 2, False),  # dozes off as it fades
            (lambda time: 0.3 + 0.7 * np.sin(np.pi * time / 24) ** 2, False),  # wakes up
        ],
    )
    def test_a_decline_is_even_or_bent(self, shares, even: bool) -> None:
        """40 exp(-t / 8) deg/s, 3 beats a second, times how awake the patient is."""
        time = np.arange(0.0, 25.0, 1 / 3)
        speed = 40 * np.exp(-time / 8) * shares(time)
        run = Run((), time, speed, np.full(time.size, 0.1), speed, np.full(time.size, 0.1), 0)
        assert is_even(run, CourseSettings()) == even

    @pytest.mark.parametrize("speed", [np.full(40, 20.0), 40 * np.exp(-np.arange(5.0))])
    def test_what_does_not_fade_or_has_few_beats_counts_as_even(self, speed) -> None:
        run = Run((), np.arange(float(len(speed))), speed, speed, speed, speed, 0)
        assert is_even(run, CourseSettings())

    @pytest.mark.parametrize(
        ("right", "left", "percent"),
        [(45, -22, 34.33), (22, 45, -34.33), (10, 10, 0.0), (30, 10, 50.0), (30, 0, 100.0), (0, 7, -100.0)],
    )
    def test_asymmetry(self, right: float, left: float, percent: float) -> None:
        assert asymmetry(right, left, 0.05).value == pytest.approx(percent, abs=0.01)

    def test_asymmetry_interval(self) -> None:
        """20 +- 1 against 20 +- 1: ln ratio 0 +- 1.96 x 0.0707 = 0.1386; 100 tanh(0.0693) = 6.92 %."""
        even = asymmetry(20.0, 20.0, math.hypot(1 / 20, 1 / 20))
        assert even.interval == pytest.approx((-6.92, 6.92), abs=0.01)
        assert even.standard_error == pytest.approx(3.54, abs=0.01)  # 2 R L / (R + L)^2 x 7.07 %

    @pytest.mark.parametrize(("right", "left"), [(0.0, 0.0), (math.nan, 1.0), (1.0, math.inf)])
    def test_asymmetry_of_nothing_is_a_mistake(self, right: float, left: float) -> None:
        with pytest.raises(ValueError, match="right_dps and left_dps"):
            asymmetry(right, left, 0.05)

    def test_fatigue(self) -> None:
        assert fatigue_ratio(-40.0, -30.0) == pytest.approx(0.75)
        with pytest.raises(ValueError, match="first_dps"):
            fatigue_ratio(0.0, 1.0)

    def test_the_largest_single_beat_is_not_the_peak(self) -> None:
        time = np.arange(0, 6, 0.3)
        speed = 20 - np.abs(time - 3) * 2
        speed[14] = 60.0
        envelope, error = smoothed(time, speed, np.full(20, 0.3), CourseSettings())
        assert envelope.max() < 25
        assert np.all(error > 0)

    def test_the_envelope_of_a_parabola_is_the_parabola(self) -> None:
        time = np.linspace(0, 6, 25)
        speed = 30 - (time - 2.5) ** 2
        envelope, _ = smoothed(time, speed, np.zeros(25), CourseSettings())
        assert envelope == pytest.approx(speed, abs=1e-6)
