"""Rows of tests/data/check-values.json that state a formula, checked against the product's own functions."""

from __future__ import annotations

import json
from typing import Any

import pytest

from analysis.battery.spontaneous_words import FLAGGED_REDUCTION_DPS
from analysis.fixation import fixation_index, suppression_percent
from analysis.limits import LIMITS
from analysis.nystagmus import BEAT_NAMES, direction
from tests.conftest import DATA

ROWS: dict[str, dict[str, Any]] = {
    row["id"]: row for row in json.loads((DATA / "check-values.json").read_text(encoding="utf-8"))
}


@pytest.mark.parametrize("row", [ROWS["NYS-02"], ROWS["NYS-03"]], ids=lambda row: row["id"])
def test_beat_direction(row: dict[str, Any]) -> None:
    assert BEAT_NAMES[direction("horizontal", row["inputs"]["spv_h"])] == row["expected"]


def test_fixation_index() -> None:
    row = ROWS["NYS-06"]
    index = fixation_index(row["inputs"]["spv_dark"], row["inputs"]["spv_fix"])
    assert index is not None
    assert index.value == pytest.approx(row["expected"], abs=row["tolerance"])


def test_fixation_suppression_percent() -> None:
    row = ROWS["NYS-07"]
    index = fixation_index(row["inputs"]["D"], row["inputs"]["F"])
    assert index is not None
    assert suppression_percent(index.value) == pytest.approx(row["expected"], abs=row["tolerance"])


def test_suppression_and_index_are_one_scale() -> None:
    expected = ROWS["NYS-09"]["expected"]
    assert suppression_percent(expected["fixation_index"]) == pytest.approx(expected["suppression_pct"])


def test_limit_in_the_dark_is_the_mean_and_2_sd_of_its_source() -> None:
    healthy = ROWS["NYS-16"]["expected"]
    row = next(limit for limit in LIMITS if limit.light == "dark")
    assert row.high == pytest.approx(healthy["mean"] + 2 * healthy["sd"])
    assert str(ROWS["NYS-16"]["inputs"]["n"]) in row.note
    assert str(healthy["max"]) in row.note
    assert str(healthy["prevalence_pct"]) in row.note


def test_reduction_that_is_flagged() -> None:
    assert ROWS["NYS-18"]["expected"]["reduction_lt"] == FLAGGED_REDUCTION_DPS
