"""Rows of tests/data/check-values.json about caloric irrigations."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.caloric import (
    BILATERAL_SUM_DPS,
    IRRIGATIONS,
    MONOTHERMAL_DPS,
    MONOTHERMAL_PERCENT,
    MONOTHERMAL_SPONTANEOUS_DPS,
    PRESBY_SUM_DPS,
    Irrigation,
    Response,
    baseline_shift,
    both_sides,
    directional_preponderance,
    ear_sum,
    expected_direction,
    expected_sign,
    gain_asymmetry,
    linear_paresis,
    may_stop_after_warm,
    monothermal_asymmetry,
    preponderance_of_spontaneous,
    total,
    unilateral_weakness,
)
from analysis.fixation import fixation_index, suppression_percent
from analysis.nystagmus import BEAT_NAMES
from tests.analysis.check_values import ROWS, near


def caloric(e: dict[str, float], before: dict[str, float] | None = None) -> dict[Irrigation, Response]:
    """Responses from speeds in the expected directions, RW, RC, LW, LC."""
    names = {("right", "warm"): "RW", ("right", "cool"): "RC", ("left", "warm"): "LW", ("left", "cool"): "LC"}
    return {
        i: Response(expected_sign(i) * e[names[i]], 0.0, None if before is None else before[names[i]])
        for i in IRRIGATIONS
        if names[i] in e
    }


@pytest.mark.parametrize("row", [ROWS[f"CAL-0{n}"] for n in (1, 2, 4, 5, 6)], ids=lambda row: row["id"])
def test_bithermal_formulas(row: dict[str, Any]) -> None:
    responses, expected = caloric(row["inputs"]["e"]), row["expected"]
    assert ear_sum(responses, "right").value == near(row, expected["R"])
    assert ear_sum(responses, "left").value == near(row, expected["L"])
    assert total(responses).value == near(row, expected["T"])
    assert unilateral_weakness(responses).value == near(row, expected["UW_pct"])
    assert directional_preponderance(responses).value == near(row, expected["DP_pct"])
    assert both_sides(responses, 40) == ("bilateral" if "bilateral" in row["inputs"]["note"] else "")


def test_criteria_on_both_sides() -> None:
    low, high = ROWS["CAL-08"]["expected"]
    assert (low, high) == PRESBY_SUM_DPS
    assert low == BILATERAL_SUM_DPS


def test_monothermal_rule() -> None:
    row = ROWS["CAL-09"]["expected"]
    limits = (MONOTHERMAL_PERCENT, MONOTHERMAL_DPS, MONOTHERMAL_SPONTANEOUS_DPS)
    assert limits == (row["asym_lt_pct"], row["spv_gt"], row["sn_lt"])


@pytest.mark.parametrize("row", [ROWS["CAL-10"], ROWS["CAL-11"]], ids=lambda row: row["id"])
def test_monothermal_decision(row: dict[str, Any]) -> None:
    given = row["inputs"]
    responses = caloric({"RW": given["RW"], "LW": given["LW"]}, {"RW": given["SN"], "LW": given["SN"]})
    assert monothermal_asymmetry(responses).value == near(row, row["expected"]["MCA_pct"])
    assert may_stop_after_warm(responses) is row["expected"]["stop"]


def test_linear_paresis_exceeds_the_weakness_most_at_its_ratio() -> None:
    row = ROWS["CAL-13"]

    def excess(ratio: float) -> float:
        responses = caloric({"RW": ratio, "RC": ratio, "LW": 1.0, "LC": 1.0})
        linear = linear_paresis(responses)
        assert linear is not None
        return linear[0].value - abs(unilateral_weakness(responses).value)

    worst = row["inputs"]["weak_over_strong"]
    assert excess(worst) == near(row, row["expected"])
    assert excess(worst) > max(excess(worst - 0.02), excess(worst + 0.02))


def test_baseline_shift_and_gain_asymmetry() -> None:
    row = ROWS["CAL-14"]
    given, expected = row["inputs"], row["expected"]
    names = {("right", "warm"): "RW", ("right", "cool"): "RC", ("left", "warm"): "LW", ("left", "cool"): "LC"}
    responses = {i: Response(given[f"n_{names[i]}"], 0.0, given[f"SN_{names[i]}"]) for i in IRRIGATIONS}
    assert baseline_shift(responses).value == near(row, expected["b"])
    assert directional_preponderance(responses).value == near(row, expected["DP_pct"])
    explained, left = preponderance_of_spontaneous(responses), gain_asymmetry(responses)
    assert explained is not None
    assert left is not None
    assert explained.value == near(row, expected["DP_SN_pct"])
    assert left.value == near(row, expected["GA_pct"])
    assert gain_asymmetry({i: Response(r.right_beating_dps) for i, r in responses.items()}) is None


def test_fixation_at_the_culmination() -> None:
    row = ROWS["CAL-15"]
    index = fixation_index(row["inputs"]["before"], row["inputs"]["after"])
    assert index is not None
    assert index.value == pytest.approx(row["expected"]["FI"], abs=0.005)
    assert suppression_percent(index.value) == near(row, row["expected"]["FS_pct"])


@pytest.mark.parametrize("row", [ROWS["CAL-18"], ROWS["CAL-19"]], ids=lambda row: row["id"])
def test_direction_against_ear_and_temperature(row: dict[str, Any]) -> None:
    irrigation = (row["inputs"]["ear"], row["inputs"]["temp"])
    assert BEAT_NAMES[expected_direction(irrigation)] == row["expected"]
