"""Caloric formulas against hand computation."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.battery.caloric_words import side_words
from analysis.caloric import (
    IRRIGATIONS,
    Irrigation,
    Response,
    absolute_preponderance,
    absolute_weakness,
    baseline_shift,
    both_sides,
    directional_preponderance,
    ear_sum,
    expected_direction,
    expected_sign,
    gain_asymmetry,
    in_expected_direction,
    linear_paresis,
    may_stop_after_warm,
    monothermal_asymmetry,
    preponderance_of_spontaneous,
    total,
    unilateral_weakness,
)
from analysis.estimate import Estimate, percent_of
from capture.samples import Eye


def four(
    rw: float, rc: float, lw: float, lc: float, before: float | None = None, error: float = 0.0
) -> dict[Irrigation, Response]:
    """Responses from right-beating speeds in the order RW, RC, LW, LC."""
    keys: list[Irrigation] = [("right", "warm"), ("right", "cool"), ("left", "warm"), ("left", "cool")]
    return {k: Response(n, error, before) for k, n in zip(keys, (rw, rc, lw, lc), strict=True)}


def value_of(estimate: Estimate | None) -> float:
    assert estimate is not None
    return estimate.value


def paresis(responses: dict[Irrigation, Response]) -> tuple[float, Eye]:
    found = linear_paresis(responses)
    assert found is not None
    return found[0].value, found[1]


class TestWorkedExamples:
    """Those of the clinical reference, 17.8; each figure computed there by hand."""

    def test_a_right_weakness(self) -> None:
        responses = four(12, -10, -30, 28)
        assert (ear_sum(responses, "right").value, ear_sum(responses, "left").value) == (22, 58)
        assert total(responses).value == 80
        assert unilateral_weakness(responses).value == pytest.approx(-45.0)
        assert side_words(unilateral_weakness(responses).value) == "45 % right"
        assert directional_preponderance(responses).value == pytest.approx(0.0)
        assert absolute_weakness(responses).value == -36

    def test_b_preponderance(self) -> None:
        responses = four(30, -14, -18, 26, before=2)
        assert unilateral_weakness(responses).value == 0
        assert directional_preponderance(responses).value == pytest.approx(27.27, abs=0.01)
        assert absolute_preponderance(responses).value == 24
        assert baseline_shift(responses).value == 6.0
        assert value_of(preponderance_of_spontaneous(responses)) == pytest.approx(9.09, abs=0.01)
        assert value_of(gain_asymmetry(responses)) == pytest.approx(18.18, abs=0.01)

    def test_b_without_measured_nystagmus_there_is_no_gain_asymmetry(self) -> None:
        responses = four(30, -14, -18, 26, before=2)
        responses["left", "cool"] = Response(26.0)
        assert preponderance_of_spontaneous(responses) is None
        assert gain_asymmetry(responses) is None

    def test_c_a_response_that_beats_the_wrong_way_counts_negative(self) -> None:
        responses = four(10, 6, -12, 28, before=8)
        assert (ear_sum(responses, "right").value, ear_sum(responses, "left").value) == (4, 40)
        assert unilateral_weakness(responses).value == pytest.approx(-81.82, abs=0.01)
        assert directional_preponderance(responses).value == pytest.approx(72.73, abs=0.01)
        assert value_of(preponderance_of_spontaneous(responses)) == pytest.approx(72.73, abs=0.01)
        assert value_of(gain_asymmetry(responses)) == pytest.approx(0.0, abs=1e-9)

    def test_d_both_sides(self) -> None:
        responses = four(1.5, -2.0, -2.5, 1.5)
        assert both_sides(responses, 40) == "bilateral"
        assert unilateral_weakness(responses).value == pytest.approx(-6.67, abs=0.01)

    def test_e_warm_alone(self) -> None:
        responses = {k: v for k, v in four(20, 0, -16, 0, before=2).items() if k[1] == "warm"}
        assert monothermal_asymmetry(responses).value == pytest.approx(11.11, abs=0.01)
        assert may_stop_after_warm(responses) is True


class TestDirection:
    @pytest.mark.parametrize(
        ("ear", "temperature", "way"),
        [
            ("right", "warm", "right"),
            ("right", "cool", "left"),
            ("left", "warm", "left"),
            ("left", "cool", "right"),
        ],
    )
    def test_cold_opposite_warm_same(self, ear: Eye, temperature, way: Eye) -> None:
        assert expected_direction((ear, temperature)) == way
        assert in_expected_direction((ear, temperature), 10.0 if way == "right" else -10.0) == 10.0

    def test_three_wrong_orders_keep_every_sign(self) -> None:
        """Hence direction alone proves neither ear nor temperature: of the 23 wrong orders 3 are not seen."""
        signs = [expected_sign(i) for i in IRRIGATIONS]
        orders = list(itertools.permutations(range(4)))
        unseen = [o for o in orders if [signs[k] for k in o] == signs and o != (0, 1, 2, 3)]
        assert len(orders) == 24
        assert len(unseen) == 3


class TestProperties:
    cases = (
        four(12, -10, -30, 28, 1, 0.4),
        four(10, 6, -12, 28, 8, 0.4),
        four(30, -14, -18, 26, -2, 0.4),
    )

    @pytest.mark.parametrize("responses", cases)
    def test_mirrored_patient(self, responses) -> None:
        swap: dict[Eye, Eye] = {"right": "left", "left": "right"}
        mirrored = {
            (swap[ear], t): Response(-r.right_beating_dps, r.standard_error_dps, -(r.before_dps or 0))
            for (ear, t), r in responses.items()
        }
        for formula in (unilateral_weakness, directional_preponderance, baseline_shift):
            assert formula(mirrored).value == pytest.approx(-formula(responses).value)
        assert value_of(gain_asymmetry(mirrored)) == pytest.approx(-value_of(gain_asymmetry(responses)))

    @pytest.mark.parametrize("responses", cases)
    def test_percentages_outlive_a_wrong_scale(self, responses) -> None:
        scaled = {
            k: Response(1.3 * r.right_beating_dps, 1.3 * r.standard_error_dps, 1.3 * (r.before_dps or 0))
            for k, r in responses.items()
        }
        for formula in (unilateral_weakness, directional_preponderance, monothermal_asymmetry):
            assert formula(scaled).value == pytest.approx(formula(responses).value)
            assert formula(scaled).interval == pytest.approx(formula(responses).interval)
        assert baseline_shift(scaled).value == pytest.approx(1.3 * baseline_shift(responses).value)

    @pytest.mark.parametrize("still", [-5.0, 3.0, 9.0])
    @pytest.mark.parametrize("responses", cases)
    def test_constant_nystagmus_leaves_the_weakness(self, responses, still: float) -> None:
        shifted = {k: replace(r, right_beating_dps=r.right_beating_dps + still) for k, r in responses.items()}
        assert unilateral_weakness(shifted).value == pytest.approx(unilateral_weakness(responses).value)
        more = directional_preponderance(shifted).value - directional_preponderance(responses).value
        assert more == pytest.approx(400 * still / total(responses).value)

    @pytest.mark.parametrize("responses", cases)
    def test_preponderance_is_400_shift_over_total(self, responses) -> None:
        assert directional_preponderance(responses).value == pytest.approx(
            400 * baseline_shift(responses).value / total(responses).value
        )


class TestIntervals:
    def test_weakness_of_even_ears(self) -> None:
        """R = L = 40, each sum with an error of sqrt 2: 200 / 80^2 x 40 x sqrt 2 x sqrt 2 = 2.5 %."""
        even = unilateral_weakness(four(20, -20, -20, 20, error=1.0))
        assert even.standard_error == pytest.approx(2.5)
        assert even.interval == pytest.approx((-4.9, 4.9), abs=0.05)

    def test_noise_has_no_interval(self) -> None:
        lost = unilateral_weakness(four(1.0, -0.5, -0.5, 1.0, error=2.0))
        assert not any(map(math.isfinite, lost.interval))

    def test_interval_of_a_ratio_by_hand(self) -> None:
        """50 +- 5 over an exact 100: 50 +- 9.8 %.

        Over 100 +- 10, t solves (50 - 100 t)^2 = 3.8416 (25 + 100 t^2): 9615.84 t^2 - 10000 t + 2403.96 = 0,
        so t = (10000 +- 2745) / 19231.7 = 0.3772 and 0.6627.
        """
        assert percent_of(50, 100, 5, 0).interval == pytest.approx((40.2, 59.8), abs=0.01)
        assert percent_of(50, 100, 5, 10).interval == pytest.approx((37.72, 66.27), abs=0.01)

    def test_gain_asymmetry_holds_what_was_before(self) -> None:
        """Errors of 1 after and 0.5 before: sqrt(4 + 4 x 0.25) = 2.236 of 80 is 2.795 %, x 1.96 = 5.48."""
        even = {i: replace(r, before_error_dps=0.5) for i, r in four(20, -20, -20, 20, 0.0, 1.0).items()}
        found = gain_asymmetry(even)
        assert found is not None
        assert found.interval == pytest.approx((-5.48, 5.48), abs=0.02)

    def test_linear_paresis_by_hand(self) -> None:
        """Sums 20 and 40, each +- sqrt 2: weak / strong lies within (0.5 +- 0.0773) / 0.9952."""
        found = linear_paresis(four(10, -10, -20, 20, error=1.0))
        assert found is not None
        assert found[0].interval == pytest.approx((41.99, 57.53), abs=0.05)

    def test_linear_paresis_of_either_ear(self) -> None:
        """39 and 40: weak / strong within 0.8825 to 1.0769; the other ear's paresis is 1 - 1 / 1.0769."""
        found = linear_paresis(four(19.5, -19.5, -20, 20, error=1.0))
        assert found is not None
        assert found[0].interval == pytest.approx((0.0, 11.75), abs=0.05)

    def test_coverage(self) -> None:
        rng, truth = np.random.default_rng(5), (18.0, -12.0, -30.0, 26.0)
        inside = 0
        for _ in range(1000):
            seen = np.array(truth) + rng.normal(0, 1.5, 4)
            low, high = unilateral_weakness(four(*seen.tolist(), error=1.5)).interval
            inside += low <= 100 * (30 - 56) / 86 <= high
        assert 930 <= inside <= 970  # 950 +- 3 x sqrt(1000 x 0.95 x 0.05)


class TestCriteria:
    @pytest.mark.parametrize(
        ("sums", "age", "met"),
        [
            ((5.9, 5.9), 40, "bilateral"),
            ((5.9, 6.1), 70, ""),
            ((10, 20), 60, "presby"),
            ((10, 20), 59, ""),
            ((10, 20), None, "age"),
            ((10, 26), 70, ""),
        ],
    )
    def test_both_sides(self, sums: tuple[float, float], age: int | None, met: str) -> None:
        right, left = sums
        assert both_sides(four(right / 2, -right / 2, -left / 2, left / 2), age) == met

    @pytest.mark.parametrize(
        ("rw", "lw", "before", "stop"),
        [(20, 16, 2, True), (20, 14, 2, False), (20, 16, 4, False), (8, 8, 0, False), (8.1, 8.1, 0, True)],
    )
    def test_warm_rule(self, rw: float, lw: float, before: float, stop: bool) -> None:
        assert may_stop_after_warm(four(rw, 0, -lw, 0, before=before)) is stop

    def test_warm_rule_needs_the_nystagmus_before(self) -> None:
        assert may_stop_after_warm(four(20, 0, -16, 0)) == "nystagmus before the irrigations was not measured"

    def test_linear_paresis(self) -> None:
        assert paresis(four(10, -10, -25, 25)) == (60.0, "right")
        assert linear_paresis(four(10, -10, -10, 10)) is None
        assert linear_paresis(four(-10, 10, 5, -5)) is None


class TestMistakes:
    def test_a_missing_irrigation(self) -> None:
        responses = four(12, -10, -30, 28)
        del responses["left", "cool"]
        for formula in (unilateral_weakness, directional_preponderance, baseline_shift, total):
            with pytest.raises(ValueError, match="responses must hold the left cool irrigation"):
                formula(responses)

    def test_nothing_at_all(self) -> None:
        with pytest.raises(ValueError, match="must not add up to 0"):
            unilateral_weakness(four(0, 0, 0, 0))

    def test_a_value_that_is_no_number(self) -> None:
        with pytest.raises(ValueError, match="responses must be finite"):
            total(four(math.nan, -10, -30, 28))
