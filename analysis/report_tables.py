"""The tables of a report as text: every number with its unit, its uncertainty and its standing to a limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from analysis.battery.caloric_findings import CULMINATION
from analysis.battery.pendular_findings import pendular_texts
from analysis.battery.spontaneous_words import not_assessed, speed
from analysis.calibration_in_intervals import note
from analysis.eye_window import AMPLITUDE, DRIFT, FREQUENCY, TIME_SHARE, VELOCITY
from analysis.finding import Finding
from analysis.limits import NO_ROW
from analysis.marking import DIRECTION_NOT_PROVEN, DOUBTFUL, marked, shortened
from analysis.nystagmus import BEAT_NAMES
from analysis.positional_findings import PEAK
from analysis.procedure import Result

Style = Literal["plain", "unproven", "outside", "missing"]
SHORT_NAMES = BEAT_NAMES | {
    "upper_pole_right": "upper pole to right",
    "upper_pole_left": "upper pole to left",
}


@dataclass(frozen=True, slots=True)
class Cell:
    """Text of one cell and how it stands out; the words alone say the same."""

    text: str
    style: Style = "plain"


@dataclass(frozen=True, slots=True)
class Table:
    """A titled table; `numbers` are the columns set to the right."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    numbers: frozenset[int] = frozenset()
    note: str = ""


def plain(*texts: str) -> tuple[Cell, ...]:
    """A row without anything standing out."""
    return tuple(Cell(text) for text in texts)


def signed(finding: Finding, value: float) -> str:
    """A velocity with its sign where that is proven; rounded to 0.1 below 10, else 1 deg/s."""
    if DIRECTION_NOT_PROVEN in finding.marks:
        return speed(value)
    return ("−" if value < 0 and float(speed(value)) else "") + speed(value)


def velocity_cell(finding: Finding) -> Cell:
    """Median velocity, marked where it is doubtful, or "not assessed"."""
    if finding.value is None:
        return Cell("not assessed", "missing")
    cell = number_cell(finding, signed(finding, finding.value), short=False)
    return Cell(cell.text, "outside") if finding.verdict == "outside" else cell


def number_cell(finding: Finding, text: str, *, short: bool = True) -> Cell:
    """A number of a finding, with the marks that make it doubtful."""
    style: Style = "unproven" if finding.marks else "plain"
    return Cell(marked(text, finding.unit, finding.marks, short=short), style)


def marks_note(findings: Sequence[Finding]) -> str:
    """What the short marks in a table of these findings mean."""
    return shortened({mark for f in findings for mark in f.marks if f.value is not None})


def _outside(finding: Finding) -> Style:
    return "outside" if finding.verdict == "outside" else "plain"


def limit_text(finding: Finding) -> str:
    """How a finding stands to its limit, or why it is held against none."""
    if finding.limit is not None:
        return f"{finding.verdict} (up to {finding.limit.high:g})"
    if finding.verdict_reason in ("", NO_ROW):
        return finding.verdict_reason or "—"
    said = DOUBTFUL[finding.unit] if finding.marks else ()  # stands at the number
    why = [reason for reason in finding.verdict_reason.split(", ") if reason not in said]
    return f"not applied: {', '.join(why)}" if why else "not applied"


def velocity_table(result: Result) -> Table:
    """One row a step, eye and axis."""
    found = {(f.key, f.step, f.eye, f.axis): f for f in result.findings}
    rows = [
        _velocity_row(f, found[DRIFT, f.step, f.eye, f.axis], found[AMPLITUDE, f.step, f.eye, f.axis])
        for f in result.findings
        if f.key == VELOCITY
    ]
    return Table(
        "Slow-phase velocity by step, eye and axis",
        ("step", "eye", "axis", "quick phase", "median", "quartiles", "95 % interval", "used", "refused",
         "quick phase size", "limit, or why not"),
        tuple(rows),
        frozenset({4, 5, 6, 7, 8, 9}),
        "deg/s, signed as on the curves; size without a sign where the direction is not proven. Quick-phase "
        f"size in deg. {note(result.findings)} {marks_note(result.findings)}".strip(),
    )  # fmt: skip


def _velocity_row(finding: Finding, drift: Finding, amplitude: Finding) -> tuple[Cell, ...]:
    head = (finding.step, str(finding.eye), str(finding.axis))
    counts = (Cell(str(finding.accepted)), Cell(str(finding.rejected)))
    if finding.value is None:
        rest = ""
        if drift.value is not None:
            speed_text = f"{signed(drift, drift.value)} deg/s"
            rest = f"; drift {marked(speed_text, drift.unit, drift.marks, short=True)}"
        why = Cell(f"{finding.reason}{rest}", "missing")
        return (
            *plain(*head),
            Cell("—"),
            Cell("not assessed", "missing"),
            *plain("", ""),
            *counts,
            Cell(""),
            why,
        )
    return (
        *plain(*head, _direction_text(finding)),
        velocity_cell(finding),
        between(finding, finding.quartiles),
        between(finding, finding.interval),
        *counts,
        Cell("") if amplitude.value is None else number_cell(amplitude, f"{amplitude.value:.1f}"),
        Cell(limit_text(finding), _outside(finding)),
    )


def _direction_text(finding: Finding) -> str:
    if not finding.present:
        return "not present"
    name = SHORT_NAMES.get(finding.direction, "direction not proven")
    few = "" if finding.agreeing == finding.accepted else f" ({finding.agreeing} of {finding.accepted})"
    return name + few


def between(finding: Finding, pair: tuple[float, float] | None) -> Cell:
    """Two velocities. Sizes where the direction is not proven, but never so that a change of sign is lost."""
    if pair is None:
        return Cell("")
    if DIRECTION_NOT_PROVEN not in finding.marks:
        text = " to ".join(signed(finding, value) for value in pair)
    elif min(pair) < 0 < max(pair) and all(float(speed(value)) for value in pair):
        text = f"{speed(pair[0])} one way to {speed(pair[1])} the other"
    else:
        text = " to ".join(speed(value) for value in sorted(map(abs, pair)))
    return number_cell(finding, text)


def summary_table(result: Result) -> Table:
    """What a doctor wants first: one row a step and eye, then what fixation does."""
    found = {(f.key, f.step, f.eye): f for f in result.findings if f.axis is None}
    rows = []
    for (key, step, eye), frequency in found.items():
        if key == FREQUENCY:
            mine = _fastest(result, step, eye)
            share = found[TIME_SHARE, step, eye]
            counts = Cell(f"{frequency.accepted} / {frequency.rejected}")
            swings = pendular_texts(result.findings, step, eye)
            head = (*plain(step, str(eye)), _nystagmus(mine, swings))
            rows.append((*head, _number(frequency, ".1f"), _number(share, ".0f"), counts, _against(mine)))
    return Table(
        "Findings, made by machine",
        (
            "step",
            "eye",
            "nystagmus, named by its quick phase",
            "beats a second",
            "% of time",
            "used / refused",
            "limit",
        ),
        tuple(rows),
        frozenset({3, 4, 5}),
    )


def _fastest(result: Result, step: str, eye: str | None) -> list[Finding]:
    """Peak or culmination where the step has a course, else medians; one an axis."""
    by_key = {
        key: [f for f in result.findings if (f.key, f.step, f.eye) == (key, step, eye)]
        for key in (PEAK, CULMINATION, VELOCITY)
    }
    return by_key[PEAK] or by_key[CULMINATION] or by_key[VELOCITY]


def _nystagmus(velocities: Sequence[Finding], swings: Sequence[str]) -> Cell:
    """The axes on which nystagmus is present, pendular oscillations, or why that is not assessed."""
    there = [*(_component(f) for f in velocities if f.present), *swings]
    if there:
        marks = velocities[0].marks
        others = [mark for mark in marks if mark not in DOUBTFUL[velocities[0].unit]]
        return Cell(", ".join((*there, *others)), "unproven" if marks else "plain")
    if not_assessed(velocities[0]):
        return Cell(f"not assessed: {velocities[0].reason}", "missing")
    unseen = [f"{f.axis} part not assessed" for f in velocities if not_assessed(f)]
    return Cell("; ".join(("none by the presence rule", *unseen)))


def _component(finding: Finding) -> str:
    name = SHORT_NAMES.get(finding.direction, str(finding.axis))
    if finding.value is None:
        return f"{finding.axis}: {finding.reason}"
    at = {PEAK: " at the peak", CULMINATION: " at the culmination"}.get(finding.key, "")
    return f"{name} {marked(f'{speed(finding.value)} deg/s', finding.unit, finding.marks)}{at}"


def _against(velocities: Sequence[Finding]) -> Cell:
    """Verdicts by axis: those outside, else those inside, else why there is none."""
    outside = [f"{f.axis} outside" for f in velocities if f.verdict == "outside"]
    if outside:
        return Cell(", ".join(outside), "outside")
    inside = [f"{f.axis} inside" for f in velocities if f.verdict == "inside"]
    if inside:
        return Cell(", ".join(inside))
    return Cell(limit_text(velocities[0]), "missing")


def _number(finding: Finding, form: str) -> Cell:
    if finding.value is None:
        return Cell("—" if finding.no_beats else "not assessed", "missing")
    return Cell(marked(f"{finding.value:{form}}", finding.unit, finding.marks))
