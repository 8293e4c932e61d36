from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.beats import Beat
from analysis.eye_window import NystagmusSettings
from analysis.median_error import biweight_scatter, error_about_line
from analysis.nystagmus import (
    axis_sign,
    beats_per_second,
    direction,
    drift,
    lost_frames,
    middle,
    run_signs,
    valid_seconds,
)
from analysis.nystagmus_findings import both_directions
from analysis.trace import trace_from_arrays

NAN3 = (math.nan,) * 3


def beat(start_s: float, amplitude: float, velocity: float | None = None) -> Beat:
    """A horizontal beat of 0.5 s whose slow phase opposes its quick phase unless told otherwise."""
    slow = -2 * amplitude if velocity is None else velocity
    triple = (slow, 0.0, math.nan)
    sizes = (amplitude, 0.0, math.nan)
    end = start_s + 0.45
    return Beat("right", "horizontal", "right", start_s, end, end, end + 0.05, triple, NAN3, sizes, True, "")


class TestMiddle:
    def test_by_hand(self) -> None:
        """Median 3, quartiles 2 and 4; SD sqrt(10 / 4) = 1.5811, so SE = 1.2533 x 1.5811 / sqrt(5) = 0.8862.

        The biweight scatter has shares u^2 = 4/81 and 1/81 of 9 MAD. Above: 5 (2 x 4 (77/81)^4 + 2 (80/81)^4)
        = 5 (6.5331 + 1.9030) = 42.181. Below, with its weights (1 - u^2) (1 - 5 u^2):
        1 + 2 (77 x 61 + 80 x 76) / 81^2 = 4.2852, times itself less 1: 14.078.
        sqrt(42.181 / 14.078) = 1.7310.
        """
        values = np.array([1.0, 5.0, 3.0, 2.0, 4.0])
        centre = middle(values, np.full(5, np.nan))
        assert (centre.median, centre.quartiles, centre.count) == (3.0, (2.0, 4.0), 5)
        assert centre.standard_error == pytest.approx(0.8862, abs=1e-3)
        assert biweight_scatter(values) == pytest.approx(1.7310, abs=1e-3)
        # Student's t for 4 degrees of freedom, two-sided 95 %: 2.776
        assert centre.interval[1] - 3.0 == pytest.approx(2.776 * 0.8862, abs=2e-3)

    def test_never_more_certain_than_the_beats_themselves(self) -> None:
        centre = middle(np.full(4, 2.0), np.full(4, 0.6))
        assert centre.standard_error == pytest.approx(1.2533 * 0.6 / 2)

    def test_slow_wander_widens_the_error(self) -> None:
        """Forty values that come four times in a row are forty, not 160: the error is sqrt(4) as large."""
        lasting = np.repeat(np.random.default_rng(1).normal(size=40), 4)
        shuffled = np.random.default_rng(1).permutation(lasting)
        errors = [middle(values, np.full(160, np.nan)).standard_error for values in (lasting, shuffled)]
        assert errors[0] / errors[1] == pytest.approx(2.0, rel=0.25)

    def test_values_that_are_alike_but_for_rounding(self) -> None:
        assert middle(np.full(12, 0.1 + 0.2), np.full(12, np.nan)).standard_error == pytest.approx(0.0)
        assert middle(np.r_[np.full(12, 3.3125), 3.3125 + 5e-16], np.full(13, np.nan)).median == 3.3125

    def test_what_comes_back_narrows_it(self) -> None:
        """Each value is taken back by the next: the sum of 160 is that of none, whatever their scatter."""
        there = np.random.default_rng(2).normal(size=80)
        values = np.column_stack((there, -there)).ravel()
        errors = [
            middle(some, np.full(160, np.nan)).standard_error
            for some in (values, np.random.default_rng(1).permutation(values))
        ]
        assert errors[0] < 0.8 * errors[1]

    def test_interval_holds_the_truth_as_often_as_it_says(self) -> None:
        rng = np.random.default_rng(3)
        inside = 0
        for _ in range(600):
            centre = middle(rng.normal(-8, 1.5, 25), np.full(25, 0.3))
            inside += centre.interval[0] <= -8 <= centre.interval[1]
        assert 0.92 <= inside / 600 <= 0.98

    @pytest.mark.parametrize("values", [[], [1.0], [1.0, math.nan]])
    def test_refuses_what_has_no_spread(self, values: list[float]) -> None:
        with pytest.raises(ValueError, match="values"):
            middle(np.array(values), np.full(len(values), np.nan))


class TestDirection:
    @pytest.mark.parametrize(
        ("axis", "slow", "word"),
        [
            ("horizontal", -1.0, "right"),
            ("horizontal", 1.0, "left"),
            ("vertical", -1.0, "up"),
            ("vertical", 1.0, "down"),
            ("torsional", -1.0, "upper_pole_right"),
            ("torsional", 1.0, "upper_pole_left"),
            ("horizontal", 0.0, ""),
            ("horizontal", math.nan, ""),
        ],
    )
    def test_is_that_of_the_quick_phase(self, axis: str, slow: float, word: str) -> None:
        assert direction(axis, slow) == word

    def test_slow_and_quick_must_oppose(self) -> None:
        assert [axis_sign(b, 0) for b in (beat(0, 3.0), beat(0, -3.0), beat(0, 3.0, 5.0))] == [1, -1, 0]
        assert axis_sign(beat(0, 3.0), 2) == 0  # torsion missing


class TestRuns:
    def test_three_in_ten_seconds(self) -> None:
        assert run_signs([beat(t, 2) for t in (0, 4, 9)], 0, 3, 10) == {1}
        assert run_signs([beat(t, 2) for t in (0, 5, 9.6)], 0, 3, 10) == set()  # 10.1 s

    def test_a_beat_of_the_other_direction_breaks_the_run(self) -> None:
        assert run_signs([beat(0, 2), beat(1, 2), beat(2, -2), beat(3, 2)], 0, 3, 10) == set()

    def test_both_directions(self) -> None:
        beats = [beat(t, 2) for t in range(3)] + [beat(t, -2) for t in range(3, 6)]
        assert run_signs(beats, 0, 3, 10) == {1, -1}


def test_a_change_of_direction_is_seen_where_no_error_is_known() -> None:
    beats = [beat(t, 2) for t in range(4)] + [beat(t, -2) for t in range(4, 8)]
    both = both_directions(beats, 0, NystagmusSettings())
    assert both is not None
    assert [side.median for side in both] == [-4.0, 4.0]


def test_frequency_is_beats_over_the_time_from_first_to_last() -> None:
    """24 beats in 30 s are 0.8 /s (worked example of the clinical reference)."""
    beats = [beat(t * 29.5 / 23, 2) for t in range(24)]
    assert beats[-1].quick_end_s - beats[0].slow_start_s == pytest.approx(30.0)
    assert beats_per_second(beats) == pytest.approx(0.8)
    with pytest.raises(ValueError, match="beats"):
        beats_per_second([])


class TestTime:
    time = np.arange(0, 10, 0.01)

    def test_valid_seconds(self) -> None:
        good = np.ones(1000, dtype=bool)
        good[200:300] = False
        trace = trace_from_arrays("left", self.time, np.zeros((1000, 3)), valid=good)
        assert valid_seconds(trace, 0, 10) == pytest.approx(9.0, abs=0.02)
        assert valid_seconds(trace, 2.5, 3.5) == pytest.approx(0.5, abs=0.02)

    def test_lost_frames(self) -> None:
        kept = np.delete(np.arange(1000), [100, 500, 501, 502])
        trace = trace_from_arrays("left", self.time[kept], np.zeros((996, 3)))
        assert lost_frames(trace, 0, 10) == (4, 996)
        assert lost_frames(trace, 20, 30) == (0, 0)

    def test_a_frame_that_arrives_late_is_not_lost(self) -> None:
        late = self.time.copy()
        late[100:900:50] += 0.007
        trace = trace_from_arrays("left", late, np.zeros((1000, 3)))
        assert lost_frames(trace, 0, 10) == (0, 1000)

    def test_drift_is_not_moved_by_rare_jumps(self) -> None:
        position = np.zeros((1000, 3))
        position[:, 0] = 0.7 * self.time + 5 * (self.time > 3.1) - 5 * (self.time > 6.6)
        trace = trace_from_arrays("left", self.time, position)
        slow = drift(trace, 0, 10, 0, 0.25)
        assert slow is not None
        assert slow.median == pytest.approx(0.7, abs=1e-6)
        assert drift(trace, 0, 0.2, 0, 0.25) is None


def test_an_even_decline_is_not_uncertain_but_one_through_zero_is() -> None:
    """About the line +-0.1 deg/s are left: 1.2533 x 0.1 / sqrt(40) = 0.020, by rank up to twice that."""
    time_s = np.arange(40.0)
    noise = 0.1 * (-1.0) ** np.arange(40)
    unknown = np.full(40, np.nan)
    declining = error_about_line(time_s, -8.0 + 0.15 * time_s + noise, unknown)
    assert 0.015 < declining < 0.045
    assert error_about_line(time_s, -3.0 + 0.15 * time_s + noise, unknown) == np.inf
    assert error_about_line(time_s[:7], -8.0 + 0.15 * time_s[:7], unknown[:7]) == np.inf
