from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.finding import Finding
from analysis.limits import LIMITS, NO_ROW, Age, age_at, judge
from capture.samples import AXES

SIXTY = Age(59, 60)
VELOCITY = Finding(
    "slow_phase_velocity", "slow-phase velocity", "deg/s", value=-5.4, eye="right", axis="horizontal"
)


class TestAge:
    @pytest.mark.parametrize(
        ("born", "age"),
        [
            (1966, SIXTY),
            (2026, Age(0, 0)),
            (2008, Age(17, 18)),
            (None, None),
            (2027, None),  # born after the test
            (1905, None),  # 121 years
        ],
    )
    def test_from_the_year_of_birth(self, born: int | None, age: Age | None) -> None:
        assert age_at(2026, born) == age

    @pytest.mark.parametrize(
        ("age", "meets"),
        [
            (Age(0, 0), False),
            (Age(17, 18), False),  # perhaps 17: no verdict
            (Age(18, 19), True),
            (Age(89, 90), True),
            (Age(119, 120), True),
            (Age(120, 121), False),
        ],
    )
    def test_row_of_adults(self, age: Age, meets: bool) -> None:
        assert (judge(VELOCITY, "dark", age).limit is not None) == meets


class TestJudge:
    @pytest.mark.parametrize(
        ("value", "verdict"), [(-5.4, "inside"), (5.5, "inside"), (-5.6, "outside"), (0.0, "inside")]
    )
    def test_size_decides_not_sign(self, value: float, verdict: str) -> None:
        judged = judge(replace(VELOCITY, value=value), "dark", SIXTY)
        assert judged.verdict == verdict
        assert judged.limit is not None

    @pytest.mark.parametrize("axis", ["horizontal", "vertical"])
    def test_with_fixation_no_nystagmus_is_expected(self, axis: str) -> None:
        for light in ("light", "fixation"):
            found = replace(VELOCITY, axis=axis)
            assert judge(replace(found, value=1.2), light, SIXTY).verdict == "outside"
            assert judge(replace(found, value=0.8), light, SIXTY).verdict == "inside"

    def test_every_velocity_but_torsion_has_a_limit_in_the_dark(self) -> None:
        found = [judge(replace(VELOCITY, axis=axis), "dark", SIXTY) for axis in AXES]
        assert [f.limit is not None for f in found] == [True, True, False]

    @pytest.mark.parametrize(
        ("finding", "light", "age", "reason"),
        [
            (VELOCITY, "dark", None, "age not known"),
            (VELOCITY, "not stated", None, NO_ROW),
            (replace(VELOCITY, axis="torsional"), "dark", SIXTY, NO_ROW),
            (replace(VELOCITY, marks=("uncalibrated",)), "dark", SIXTY, "uncalibrated"),
            (VELOCITY, "dark", Age(17, 18), NO_ROW),
        ],
    )
    def test_no_verdict_has_its_reason(
        self, finding: Finding, light: str, age: Age | None, reason: str
    ) -> None:
        judged = judge(finding, light, age)
        assert (judged.verdict, judged.limit, judged.verdict_reason) == ("none", None, reason)

    def test_what_was_not_assessed_is_never_judged(self) -> None:
        missing = replace(VELOCITY, value=None, reason="too few beats")
        assert judge(missing, "dark", SIXTY) == missing


def test_every_row_says_where_it_comes_from() -> None:
    for row in LIMITS:
        assert row.citation
        assert row.set_up
        assert row.unit or row.measure.startswith("versional_dysconjugacy")  # a ratio has none
        assert row.low <= row.high
        assert 0 <= row.age_low_years <= row.age_high_years
        assert any(word in row.citation for word in ("doi", "PMC", "common practice"))


def test_a_finding_has_a_value_or_a_reason() -> None:
    with pytest.raises(ValueError, match="slow_phase_velocity"):
        replace(VELOCITY, reason="both")
    with pytest.raises(ValueError, match="slow_phase_velocity"):
        replace(VELOCITY, value=None)
    with pytest.raises(ValueError, match="finite"):
        replace(VELOCITY, value=float("nan"))
