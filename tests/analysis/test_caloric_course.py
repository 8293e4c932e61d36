"""The course of a response to an irrigation: how far its mean may stray, and when it began."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.beats import Beat
from analysis.caloric_onset import beginning
from analysis.caloric_response import culmination
from analysis.trace import Trace, trace_from_arrays


def beats_of(time_s: NDArray[np.float64], speed_dps: NDArray[np.float64]) -> list[Beat]:
    """Accepted beats about these times, each half a second long."""
    return [
        Beat(
            "right", "horizontal", "left", t - 0.25, t + 0.2, t + 0.2, t + 0.25,
            (v, 0.0, 0.0), (0.1, 0.1, 0.1), (-1.0, 0.0, 0.0), accepted=True, reason="",
        )
        for t, v in zip(time_s.tolist(), speed_dps.tolist(), strict=True)
    ]  # fmt: skip


def test_what_makes_a_response_no_cubic_is_no_scatter() -> None:
    """A bell of 30 deg/s about 60 s, standard deviation 20 s. Beats scatter by 0.3, two come a second.

    A mean over 10 s of medians over 5 s weighs the beats of 15 s, those at its ends less:
    0.3 x 1.2533 sqrt(5 / 6 / 20) = 0.077 deg/s.
    """
    time = np.arange(1.0, 120.0, 0.5)
    course = 30.0 * np.exp(-(((time - 60.0) / 20.0) ** 2) / 2)
    errors = []
    for seed in range(8):
        speed = course + np.random.default_rng(seed).normal(0, 0.3, time.size)
        found = culmination(seen_for(130.0), beats_of(time, speed), 0, 0.0, 120.0)
        assert not isinstance(found, str)
        errors.append(found.velocity.standard_error)
    assert float(np.median(errors)) == pytest.approx(0.077, rel=0.5)


def seen_for(end_s: float) -> Trace:
    time = np.arange(0.0, end_s, 0.02)
    return trace_from_arrays("right", time, np.zeros((time.size, 3)))


class TestBeginning:
    """0.5 deg/s more a second from 12 s on; the first beats that are seen come at 15 s."""

    time = np.arange(15.0, 60.0, 0.5)

    def test_the_interval_reaches_to_where_the_rise_was_0(self) -> None:
        speed = 0.5 * (self.time - 12.0) + np.random.default_rng(1).normal(0, 0.2, self.time.size)
        found = beginning(self.time, speed, 15.0, 20.0)
        assert found.value == 15.0
        assert 11.0 < found.interval[0] < 12.0
        assert found.interval[1] == 15.0

    def test_over_another_nystagmus_both_ends_may_miss(self) -> None:
        """2.5 % are left to the early end, not 5 %: 1.96 / 1.645 = 1.19 times as far from 12 s."""
        scatter = np.tile([0.4, 0.0, -0.4, 0.0], self.time.size // 4 + 1)[: self.time.size]
        speed = 0.5 * (self.time - 12.0) + scatter
        plain = beginning(self.time, speed, 15.0, 20.0)
        over = beginning(self.time, speed, 15.0, 20.0, over_another=True)
        assert (over.interval[0] - 12.0) / (plain.interval[0] - 12.0) == pytest.approx(1.19, abs=0.07)
        assert over.interval[1] == plain.interval[1]

    def test_what_was_there_before_is_as_doubtful_as_it_was_measured(self) -> None:
        """1 deg/s (standard error) moves where the line is 0 by 2 s; 1.6 to 2 times that to the early end."""
        speed = 0.5 * (self.time - 12.0) + np.random.default_rng(1).normal(0, 0.01, self.time.size)
        found = beginning(self.time, speed, 15.0, 20.0, 1.0)
        assert 12.0 - 2.0 * 2.0 < found.interval[0] < 12.0 - 1.6 * 2.0

    def test_slow_beats_tell_the_beginning_where_they_scatter_less(self) -> None:
        """Beats that scatter by a tenth of their speed, and as much on the whole by the same all along."""
        rng = np.random.default_rng(3)
        chance, rise = rng.normal(0, 0.1, self.time.size), 0.5 * (self.time - 12.0)
        even = chance * np.sqrt(np.mean(rise[rise < 10.0] ** 2))
        by_share, alike = (beginning(self.time, rise + x, 15.0, 20.0) for x in (chance * rise, even))
        assert 12.0 - by_share.interval[0] < 0.7 * (12.0 - alike.interval[0])
        assert by_share.interval[0] < 12.0 + 1e-9

    @pytest.mark.parametrize("rise", [0.0, -0.1])
    def test_what_does_not_rise_tells_nothing(self, rise: float) -> None:
        speed = 5.0 + rise * (self.time - 15.0) + np.random.default_rng(1).normal(0, 0.2, self.time.size)
        assert math.isnan(beginning(self.time, speed, 15.0, 20.0).standard_error)

    def test_too_few_beats(self) -> None:
        few = self.time[:7]
        assert math.isnan(beginning(few, few, 15.0, 20.0).standard_error)
        assert math.isnan(beginning(self.time, np.full(self.time.size, 30.0), 15.0, 20.0).standard_error)
