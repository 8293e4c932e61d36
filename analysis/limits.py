"""Limits: what healthy people show, for whom, measured how, said by whom.

A limit is a setting, never a constant in code. None of these rows has been approved by a clinician of the
user's clinic yet (`approved_by` is empty), and the report says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analysis.finding import Finding, Verdict

OLDEST_YEARS = 120
NO_ROW = "none known"


@dataclass(frozen=True, slots=True)
class Limit:
    """One row: the absolute value of a measure lies between `low` and `high` in healthy people."""

    measure: str  # key of the finding
    light: str  # "dark", "light" or "fixation"; "lying" in a position, "caloric"
    axes: tuple[str, ...]  # empty: of no axis
    low: float
    high: float
    unit: str
    age_low_years: int  # inclusive
    age_high_years: int  # inclusive
    set_up: str
    citation: str
    note: str = ""  # what is contested and what was chosen
    approved_by: str = ""


_HEALTHY = (
    "Nystagmus characteristics of healthy controls, J Vestib Res 2020, doi 10.3233/VES-200022 (abstract)"
)
_POSITIONAL = (
    "Nelson, Mann, Nicholson, Lehman, J Am Acad Audiol 2019;30:883-895, doi 10.3766/jaaa.18024 (abstract)"
)

_OWN_NORMS = "Cut-offs are to be set per clinic (review of caloric testing, BJORL, PMC9442065, abstract)."


def _caloric(measure: str, high: float, unit: str, note: str) -> Limit:
    return Limit(
        measure=measure,
        light="caloric",
        axes=(),
        low=0.0,
        high=high,
        unit=unit,
        age_low_years=18,
        age_high_years=OLDEST_YEARS,
        set_up="lying, head raised 30 deg, in the dark, warm and cool in both ears",
        citation="common practice; Barin, from memory",
        note=note,
    )


def _positions(axis: str, high: float) -> Limit:
    return Limit(
        measure="positions_with_nystagmus",
        light="lying",
        axes=(axis,),
        low=0.0,
        high=high,
        unit="positions",
        age_low_years=18,
        age_high_years=OLDEST_YEARS,
        set_up="static positions, no fixation, video",
        citation=_POSITIONAL,
        note="of 100 healthy people. Contested: older work counts nystagmus that stays in 3 of 8 to 11 "
        "positions. Ages are not stated in the abstract.",
    )


def _dysconjugacy(way: str) -> Limit:
    return Limit(
        measure=f"versional_dysconjugacy_{way}",
        light="fixation",
        axes=("horizontal",),
        low=0.0,
        high=1.09,
        unit="",
        age_low_years=18,
        age_high_years=OLDEST_YEARS,
        set_up="infra-red, saccades to a target, both eyes",
        citation="Frohman et al., JNNP 2002;73:51-55, PMC1757309 (abstract)",
        note="highest of 40 healthy people, whose mean was 0.922 and standard deviation 0.072. Other methods "
        "gave other ratios. Ages are not stated in the abstract.",
    )


LIMITS: tuple[Limit, ...] = (
    Limit(
        measure="slow_phase_velocity",
        light="dark",
        axes=("horizontal", "vertical"),
        low=0.0,
        high=5.5,
        unit="deg/s",
        age_low_years=18,
        age_high_years=OLDEST_YEARS,
        set_up="upright, no fixation, video",
        citation=_HEALTHY,
        note="mean + 2 SD of 101 healthy adults (1.1 + 2 x 2.2 deg/s; up to 9.3 seen; 30.7 % had nystagmus). "
        "Contested: 4, 5 and 6 deg/s are in use in the dark; 5.5 is the choice made here. "
        "The source gives one figure for all axes; torsional velocity has no limit.",
    ),
    Limit(
        measure="slow_phase_velocity",
        light="fixation",
        axes=("horizontal", "vertical"),
        low=0.0,
        high=1.0,
        unit="deg/s",
        age_low_years=0,
        age_high_years=OLDEST_YEARS,
        set_up="upright, target or room light in view, straight ahead",
        citation="common practice, no source",
        note="no nystagmus is expected with fixation; 1 deg/s is the presence rule's floor.",
    ),
    Limit(
        measure="peak_slow_phase_velocity",
        light="lying",
        axes=("horizontal",),
        low=0.0,
        high=4.0,
        unit="deg/s",
        age_low_years=18,
        age_high_years=OLDEST_YEARS,
        set_up="static positions, no fixation, video",
        citation=_POSITIONAL,
        note="of 100 healthy people 74 had horizontal positional nystagmus, mean 2 deg/s; not pathological "
        "in at most 4 positions. Contested: 6 deg/s in older work. Ages are not stated in the abstract.",
    ),
    Limit(
        measure="peak_slow_phase_velocity",
        light="lying",
        axes=("vertical",),
        low=0.0,
        high=2.0,
        unit="deg/s",
        age_low_years=18,
        age_high_years=OLDEST_YEARS,
        set_up="static positions, no fixation, video",
        citation=_POSITIONAL,
        note="vertical nystagmus in one position only. Ages are not stated in the abstract.",
    ),
    _positions("horizontal", 4.0),
    _positions("vertical", 1.0),
    _caloric("unilateral_weakness", 25.0, "%", "Contested: 20 % and 25 % are in use. " + _OWN_NORMS),
    _caloric("directional_preponderance", 30.0, "%", "Contested: 20 to 30 % are in use. " + _OWN_NORMS),
    _caloric("gain_asymmetry", 25.0, "%", _OWN_NORMS),
    _caloric("baseline_shift", 6.0, "deg/s", _OWN_NORMS),
    _dysconjugacy("right"),
    _dysconjugacy("left"),
)


@dataclass(frozen=True, slots=True)
class Age:
    """Age at the recording as far as a year of birth tells it: somewhere from `low` to `high` years."""

    low_years: int
    high_years: int


def age_at(recorded_year: int, birth_year: int | None) -> Age | None:
    """Age from the two years; None when the year of birth is not given or cannot be true.

    >>> age_at(2026, 1960)
    Age(low_years=65, high_years=66)
    """
    if birth_year is None or not 0 <= recorded_year - birth_year <= OLDEST_YEARS:
        return None
    years = recorded_year - birth_year
    return Age(max(years - 1, 0), years)


def _measures(row: Limit, measure: str, light: str, axis: str | None) -> bool:
    wanted = "fixation" if light == "light" else light
    return row.measure == measure and row.light == wanted and (axis in row.axes or not row.axes)


def _holds_at(row: Limit, age: Age) -> bool:
    """Whether the row holds at both ends of what is known of the age."""
    return row.age_low_years <= age.low_years and age.high_years <= row.age_high_years


def judge(finding: Finding, light: str, age: Age | None, limits: Sequence[Limit] = LIMITS) -> Finding:
    """The finding with its limit and verdict, or with the reason why it is held against none.

    A measure without any row is left as it is. A finding that carries a mark (uncalibrated, direction or
    frame times not proven) is held against no limit.
    """
    if finding.value is None or finding.key not in {row.measure for row in limits}:
        return finding
    if finding.marks:
        return replace(finding, verdict_reason=", ".join(finding.marks))
    rows = [row for row in limits if _measures(row, finding.key, light, finding.axis)]
    if rows and age is None:
        return replace(finding, verdict_reason="age not known")
    row = next((row for row in rows if age is not None and _holds_at(row, age)), None)
    if row is None:
        return replace(finding, verdict_reason=NO_ROW)
    verdict: Verdict = "inside" if row.low <= abs(finding.value) <= row.high else "outside"
    return replace(finding, limit=row, verdict=verdict)
