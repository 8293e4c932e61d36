"""Rows of tests/data/check-values.json: numbers of the clinical literature, each with its source."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.conftest import DATA

ROWS: dict[str, dict[str, Any]] = {
    row["id"]: row for row in json.loads((DATA / "check-values.json").read_text(encoding="utf-8"))
}


def near(row: dict[str, Any], expected: float) -> Any:
    """A number of the row within the row's tolerance."""
    return pytest.approx(expected, abs=row["tolerance"])
