"""Caloric formulas against hand computation, and irrigations in closed form through the whole measure."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.analyse import analyse_recording
from analysis.battery.caloric_summary import summarise
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
from analysis.finding import Finding
from analysis.limits import Age
from analysis.procedure import Result
from capture.samples import Eye
from tests.analysis.caloric import SECONDS, Caloric, irrigated
from tests.analysis.sawtooth import TARGETS, Made, Phase, make_recording

SIXTY = Age(65, 66)


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
        assert expected_direction((ear, temperature), prone=True) != way
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

    def test_a_result_of_another_test(self, results: dict[str, Result]) -> None:
        with pytest.raises(ValueError, match="irrigations"):
            summarise([replace(next(iter(results.values())), procedure="spontaneous")])


def irrigation(key: str, horizontal: float, before: float = -2.0, **more: float) -> Result:
    """Slow-phase velocity at the peak, less that of the spontaneous nystagmus under it."""
    response = Caloric(peak_dps=(horizontal, 0, 0), constant_dps=(before, 0, 0), **more)
    return analyse_recording(irrigated(response, key, rate_hz=50.0, eyes=("right",)), 1960).results[0]


def result_of_phases(key: str, *phases: Phase) -> Result:
    made = make_recording(Made(phases, procedure=key, rate_hz=50.0, eyes=("right",)))
    return analyse_recording(made, 1960).results[0]  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def results() -> dict[str, Result]:
    """Right-beating 2 deg/s under all: n = 14, 30, -8, 26 from RW 12, LC 28 ..., see `TestWhole`."""
    speeds = {"right_warm": -12.0, "left_warm": 30.0, "right_cool": 10.0, "left_cool": -28.0}
    return {f"caloric_{k}": irrigation(f"caloric_{k}", v) for k, v in speeds.items()}


def found(result: Result, key: str, axis: str | None = None) -> Finding:
    return next(f for f in result.findings if (f.key, f.eye, f.axis) == (key, "right", axis))


class TestOneIrrigation:
    def test_culmination(self, results: dict[str, Result]) -> None:
        warm = results["caloric_right_warm"]
        peak = found(warm, "culmination_velocity", "horizontal")
        assert peak.value == pytest.approx(-14.0, abs=0.2)
        assert peak.direction == "right"
        assert found(warm, "culmination_time", "horizontal").value == pytest.approx(60.0, abs=3.0)
        assert found(warm, "culmination_beats", "horizontal").value == pytest.approx(60, abs=2)
        assert found(warm, "velocity_before", "horizontal").value == pytest.approx(-2.0, abs=0.1)

    def test_fixation_on_the_same_decaying_response(self) -> None:
        """The light leaves 30 %, 85 to 100 s after the start, while the response falls as its curve does."""
        shown = irrigation("caloric_right_warm", -40.0, 0.0)
        index = found(shown, "fixation_index", "horizontal")
        dark, lit = ((t / 60) ** 2 * math.exp(2 - t / 30) for t in (79.0, 94.0))  # middles of both windows
        assert index.value == pytest.approx(0.3 * lit / dark, abs=0.02)

    def test_when_it_began_with_the_sides_exchanged(self, results: dict[str, Result]) -> None:
        """The course of every irrigation of the other side is the same, its interval too."""
        plain, other = results["caloric_right_warm"], irrigation("caloric_left_warm", 12.0, 2.0)
        for key in ("latency", "time_constant", "culmination_time"):
            one, two = found(plain, key, "horizontal"), found(other, key, "horizontal")
            assert two.value == pytest.approx(one.value, rel=0.1), key
            assert one.interval is not None
            assert two.interval == pytest.approx(one.interval, rel=0.15), key
            assert one.interval[0] <= (one.value or 0.0) <= one.interval[1]

    @pytest.mark.parametrize(
        ("before", "lit", "after", "early"),
        [
            (-2.0, -2.0, 6.0, True),
            (-2.0, -2.0, -2.0, False),
            (-2.0, 6.0, -2.0, False),
            (-6.0, -6.0, -2.0, False),
        ],
        ids=["turns", "only before", "in the light alone", "what was before grows less"],
    )
    @pytest.mark.parametrize("ear", ["right", "left"])
    def test_a_response_that_turns_round_early(
        self, ear: str, before: float, lit: float, after: float, early: bool
    ) -> None:
        """20 deg/s toward the ear; from 95 s on 6 deg/s the other way, or what was before and less of it."""
        sign = 1.0 if ear == "right" else -1.0
        shown = result_of_phases(
            f"caloric_{ear}_warm",
            Phase("baseline", 15, (sign * before, 0, 0)),
            Phase(f"{ear} warm irrigation", 30, (sign * -20.0, 0, 0)),
            Phase("response", 50, (sign * -20.0, 0, 0)),
            Phase("fixation", 15, (sign * lit, 0, 0)),
            Phase("after", 40, (sign * after, 0, 0)),
        )
        reversal = found(shown, "response_reversal", "horizontal")
        if early:
            assert reversal.value == pytest.approx(95.0, abs=1.0)
            assert any("turns round 95 s after the start" in text for text in shown.fits)
        else:
            assert reversal.reason == "no reversal"
            assert shown.fits == ()

    @pytest.mark.parametrize(
        ("face_down", "said"),
        [(9.0, "turns round, as a response"), (-9.0, "keeps its direction"), (0.0, "no nystagmus")],
    )
    @pytest.mark.parametrize(("ear", "sign"), [("left", 1.0), ("right", -1.0)])
    def test_ice_water_face_down(self, ear: str, sign: float, face_down: float, said: str) -> None:
        shown = result_of_phases(
            f"caloric_{ear}_ice",
            Phase("baseline", 15),
            Phase(f"{ear} ice irrigation", 25, (sign * -12.0, 0, 0)),
            Phase("response", 40, (sign * -12.0, 0, 0)),
            Phase("prone", 25, (sign * face_down, 0, 0)),
            Phase("after", 40, (sign * -6.0, 0, 0)),
        )
        peak = found(shown, "culmination_velocity", "horizontal")
        assert peak.value == pytest.approx(sign * -12.0, abs=0.3)
        (text,) = shown.fits
        assert text.startswith(f"Face down: {said}")

    def test_direction_that_does_not_fit_is_noted(self) -> None:
        shown = irrigation("caloric_left_cool", 20.0)
        (text,) = shown.fits
        assert "left cool should beat to the right" in text
        assert "Noted, not rejected" in text
        assert any("do not prove" in t or "does not prove" in t for t in shown.not_concluded)

    def test_perverted_response(self) -> None:
        response = Caloric(peak_dps=(-5.0, 20.0, 0))
        made = irrigated(response, "caloric_right_warm", rate_hz=50.0, eyes=("right",))
        assert any("perverted response" in t for t in analyse_recording(made).results[0].fits)

    def test_no_response_is_measured_as_drift_and_never_as_missing(self) -> None:
        shown = irrigation("caloric_right_cool", 0.0, 0.0)
        peak = found(shown, "culmination_velocity", "horizontal")
        assert peak.value == pytest.approx(0.0, abs=0.2)
        assert "slow drift" in peak.name
        assert peak.direction == ""

    def test_too_short(self) -> None:
        made = irrigated(Caloric(peak_dps=(-20.0, 0, 0)), "caloric_right_warm", rate_hz=50.0)
        rows = {eye: samples[samples["time_s"] < 45] for eye, samples in made.samples.items()}
        peak = found(
            analyse_recording(replace(made, samples=rows)).results[0], "culmination_velocity", "horizontal"
        )
        assert peak.reason == "recorded for 27 s from the start of the irrigation only"

    def test_half_the_frame_rate(self) -> None:
        made = irrigated(Caloric(peak_dps=(-20.0, 0, 0)), "caloric_right_warm", rate_hz=60.0, eyes=("right",))
        half = replace(made, samples={eye: rows[::2] for eye, rows in made.samples.items()})
        peaks = [
            found(analyse_recording(r).results[0], "culmination_velocity", "horizontal").value
            for r in (made, half)
        ]
        assert peaks[1] == pytest.approx(peaks[0], rel=0.01)


class TestWhole:
    """Without nystagmus RW 12, RC 10, LW 30, LC 28: 45 % right weakness.

    2 deg/s right-beating under all: preponderance 400 x 2 / 80 = 10 %, all explained by what was before.
    """

    @pytest.fixture(scope="class")
    @classmethod
    def whole(cls, results: dict[str, Result]) -> Result:
        return summarise(list(results.values()), SIXTY)

    def test_figures(self, whole: Result) -> None:
        assert found(whole, "unilateral_weakness").value == pytest.approx(-45.0, abs=1.0)
        assert found(whole, "directional_preponderance").value == pytest.approx(10.0, abs=1.0)
        assert found(whole, "gain_asymmetry").value == pytest.approx(0.0, abs=1.0)
        assert found(whole, "right_sum").value == pytest.approx(22.0, abs=0.4)
        assert found(whole, "left_sum").value == pytest.approx(58.0, abs=0.6)
        assert found(whole, "baseline_shift").value == pytest.approx(2.0, abs=0.2)

    def test_words_and_side(self, whole: Result) -> None:
        assert found(whole, "unilateral_weakness").verdict == "outside"
        assert found(whole, "directional_preponderance").verdict == "inside"
        assert any("unilateral weakness (canal paresis) 45 % right" in t for t in whole.conclusions)
        (pattern,) = whole.fits
        assert "reduced function of the right horizontal canal" in pattern

    def test_missing_irrigation(self, results: dict[str, Result]) -> None:
        some = [r for k, r in results.items() if k != "caloric_left_cool"]
        whole = summarise(some, SIXTY)
        weakness = found(whole, "unilateral_weakness")
        assert (weakness.value, weakness.reason) == (None, "left cool: not recorded")
        assert whole.cautions == ("left cool: not recorded",)
        assert found(whole, "monothermal_asymmetry").value == pytest.approx(100 * (14 - 28) / 42, abs=1.0)
        assert whole.fits == ()

    def test_repeated_irrigation_counts_as_it_was_last(self, results: dict[str, Result]) -> None:
        again = irrigation("caloric_right_warm", -30.0)
        whole = summarise([*results.values(), again], SIXTY)
        assert found(whole, "right_sum").value == pytest.approx(40.0, abs=0.6)
        assert whole.cautions == ("caloric_right_warm: done 2 times; the last one counts",)

    def test_no_irrigation(self) -> None:
        assert summarise([]).findings == ()

    def test_both_sides_too_weak_is_never_called_even(self) -> None:
        keys = ("right_warm", "left_warm", "right_cool", "left_cool")
        speeds = (-1.5, 2.0, 1.5, -2.0)
        weak = [irrigation(f"caloric_{k}", v, 0.0) for k, v in zip(keys, speeds, strict=True)]
        whole = summarise(weak, SIXTY)
        weakness = found(whole, "unilateral_weakness")
        assert weakness.verdict == "none"
        assert any("bilateral vestibulopathy is met" in t for t in whole.conclusions)
        assert not any("unilateral weakness (canal paresis)" in t for t in whole.conclusions)
        assert whole.fits == ()


@pytest.mark.parametrize(("closed_s", "percent"), [(0.0, 0.0), (6.0, 20.0), (12.0, 40.0)])
def test_an_irrigation_whose_culmination_was_not_seen_is_repeated(closed_s: float, percent: float) -> None:
    """The eye is lost about the top, 60 s after the start: for 6 of the 30 s about it, 20 %."""
    made = irrigated(Caloric(peak_dps=(-20.0, 0.0, 0.0)), "caloric_right_warm", eyes=("right",))
    after_s = made.samples["right"]["time_s"] - TARGETS[-1].end_s - SECONDS[0] - 60.0
    closed = np.abs(after_s) < closed_s / 2
    made.samples["right"]["pupil_quality"][closed] = 0.0
    result = analyse_recording(made).results[0]
    unseen = next(f for f in result.findings if f.key == "culmination_unseen")
    assert unseen.value == pytest.approx(percent, abs=4.0)
    assert any("repeat this irrigation" in text for text in result.cautions) == (percent > 30)
