"""The curve of peak velocity over size: by hand, and its intervals for people whose speed scatters."""

from __future__ import annotations

from math import exp, nan

import numpy as np
import pytest

from analysis.estimate import Estimate, with_error
from analysis.main_sequence import contrast, fit, reference_velocity_dps
from tests.analysis.check_values import ROWS, near


class TestMainSequence:
    """Curves by hand: 551 (1 - exp(-A / 14))."""

    sizes = (5.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0)
    peaks = (165.5, 239.8, 281.3, 317.2, 362.3, 419.0, 458.6, 486.4)

    @pytest.mark.parametrize(("size_deg", "peak_dps"), [(5, 165.5), (10, 281.3), (-20, 419.0)])
    def test_reference(self, size_deg: float, peak_dps: float) -> None:
        assert reference_velocity_dps(size_deg) == pytest.approx(peak_dps, abs=0.1)

    @pytest.mark.parametrize("number", [3, 4, 5, 6])
    def test_rows_of_the_check_values(self, number: int) -> None:
        row = ROWS[f"SAC-0{number}"]
        assert reference_velocity_dps(row["inputs"]["A_deg"]) == near(row, row["expected"])

    def test_the_curve_through_its_own_points(self) -> None:
        curve = fit(self.sizes, self.peaks)
        assert not isinstance(curve, str)
        assert curve.vmax_dps == pytest.approx(551.0, abs=1.0)
        assert curve.constant_deg == pytest.approx(14.0, abs=0.1)
        assert curve.velocity(18.0).value == pytest.approx(551 * (1 - exp(-18 / 14)), abs=1.0)

    def test_a_stray_does_not_bend_it(self) -> None:
        curve = fit((*self.sizes, 15.0), (*self.peaks, 900.0))
        assert not isinstance(curve, str)
        assert (curve.used, round(curve.vmax_dps, -1)) == (8, 550.0)

    def test_why_there_is_none(self) -> None:
        assert fit(self.sizes[:7], self.peaks[:7]) == "7 saccades with a velocity, 8 needed"
        assert fit([10.0] * 8, [280.0] * 8) == "the saccades are too much of one size"
        assert "do not bend" in str(fit(self.sizes, [30 * a for a in self.sizes]))

    @pytest.mark.parametrize("count", [10, 20])
    def test_intervals_hold_people_whose_speed_scatters(self, count: int) -> None:
        """300 people: a saccade is faster or slower than the curve by 3 to 10 % of its own velocity.

        Goal 92 to 98 % at 2,000; by chance alone 300 of 95 % lie within 91.5 and 98.5 %, 4 in 1,000 beyond.
        """
        held = np.zeros(3)
        for number in range(300):
            rng = np.random.default_rng([31, count, number])
            vmax_dps, bend_deg = rng.uniform(250, 700), rng.uniform(7, 16)
            sizes = np.resize((5.0, 30.0, 10.0, 25.0, 15.0, 20.0), count) * rng.normal(0.9, 0.04, count)
            scatter = rng.normal(1.0, rng.uniform(0.03, 0.1), count)
            curve = fit(sizes, vmax_dps * (1 - np.exp(-sizes / bend_deg)) * scatter)
            assert not isinstance(curve, str)
            truths = vmax_dps, *(vmax_dps * (1 - exp(-size / bend_deg)) for size in (5.0, 25.0))
            found = curve.vmax(), curve.velocity(5.0), curve.velocity(25.0)
            held += [f.interval[0] <= t <= f.interval[1] for f, t in zip(found, truths, strict=True)]
        assert np.all((held >= 0.915 * 300) & (held <= 0.985 * 300))

    def test_what_noise_makes_uncertain_counts_less(self) -> None:
        """Of each size one on the curve and one that is 10 % too fast, which may be wrong by half.

        Without that the curve lies half way, by the root of 1.1: 577.9 deg/s.
        """
        sizes, peaks = np.repeat(self.sizes, 2), np.repeat(self.peaks, 2) * np.tile([1.0, 1.1], 8)
        alike, known = fit(sizes, peaks), fit(sizes, peaks, np.tile([0.0, 0.5], 8))
        assert not isinstance(alike, str)
        assert not isinstance(known, str)
        assert alike.vmax_dps == pytest.approx(577.9, abs=1.0)
        assert known.vmax_dps == pytest.approx(551.0, abs=1.0)

    def test_small_saccades_are_known_by_their_share(self) -> None:
        """By hand: 4 of 5 deg and 4 of 30 deg, each by turns 10 % too fast and (in logarithms) too slow.

        Means of the logarithms are those of the curve, so both curves agree; an interval is a factor, and the
        small ones' is as wide as the large ones', not a third of it in deg/s.
        """
        off = np.array([1.1, 1 / 1.1] * 4)
        sizes = np.repeat([5.0, 30.0], 4)
        curve = fit(sizes, 551 * (1 - np.exp(-sizes / 14)) * off)
        assert not isinstance(curve, str)
        reach = []
        for size in (5.0, 30.0):
            found = curve.velocity(size)
            assert found.value == pytest.approx(551 * (1 - exp(-size / 14)), rel=1e-4)
            reach.append(found.interval[1] / found.value)
        assert reach[0] == pytest.approx(reach[1], rel=1e-3)

    def test_a_curve_that_is_hardly_known_is_none(self) -> None:
        """Of every size one that is slow and one that is more than twice as fast."""
        sizes = [8.0, 8.0, 9.0, 9.0, 18.0, 18.0, 19.0, 19.0]
        said = fit(sizes, [150.0, 450.0, 150.0, 450.0, 250.0, 620.0, 250.0, 620.0])
        assert said == "the saccades scatter too much for a curve"

    def test_velocities_that_no_eye_reaches_lie_about_no_curve(self) -> None:
        said = fit([5.0 * k for k in range(1, 9)], [5000.0 + k for k in range(8)])
        assert said == "the saccades do not lie about a curve"

    @pytest.mark.parametrize(
        ("sizes", "peaks", "name"),
        [([1.0], [1.0, 2.0], "peak_velocity_dps"), ([nan], [1.0], "amplitude_deg"), ([1.0], [-1.0], "peak")],
    )
    def test_mistakes(self, sizes: list[float], peaks: list[float], name: str) -> None:
        with pytest.raises(ValueError, match=name):
            fit(sizes, peaks)

    def test_two_values_of_few_saccades_are_known_better_together(self) -> None:
        """By hand: 300 and 200 deg/s +- 5 with 5 degrees of freedom each: 2.571 x 5 = 12.85 alone.

        Together 10: 2.228 x 5 x root 2 = 15.75 of 500. Fieller, 300 / 200: root of 0.6^2 + 0.4^2 for 1 of
        a + b = 500, so 100 x 2 x root(200^2 + 300^2) / 500^2 x 2.228 x 5 = 3.21.
        """
        one, other = (Estimate(v, 5.0, (v - 12.853, v + 12.853)) for v in (300.0, 200.0))
        low, high = contrast(one, other).interval
        assert (high - low) / 2 == pytest.approx(3.21, abs=0.02)

    def test_an_error_below_0_is_a_mistake(self) -> None:
        with pytest.raises(ValueError, match="peak_error"):
            fit(self.sizes, self.peaks, [-0.1] * 8)

    def test_contrast_by_hand(self) -> None:
        """100 (300 - 200) / 500 = 20; exchanged -20."""
        one, other = with_error(300.0, 5.0), with_error(200.0, 5.0)
        assert contrast(one, other).value == pytest.approx(20.0)
        assert contrast(other, one).value == pytest.approx(-20.0)
