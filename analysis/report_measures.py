"""The measures of a procedure beyond those that every step has: one row a measure, eye and axis."""

from __future__ import annotations

from analysis.battery.slow_phase_shapes import SHAPE, is_bent
from analysis.calibration_in_intervals import note
from analysis.eye_window import NAMES
from analysis.finding import Finding
from analysis.marking import rounded
from analysis.procedure import Result
from analysis.report_saccades import is_summed_up
from analysis.report_tables import Cell, Table, limit_text, marks_note, number_cell, plain

ELSEWHERE = {*NAMES, "fixation_index", "fixation_reduction", "eye_difference"}  # in tables of their own
DIGITS = {"": 2, "times": 0, "positions": 0, "ms": 0}  # behind the point, by unit; else one
WHOLE = {"crescendo_decrescendo", "culmination_beats", "beats_after_shaking"}  # counts, and yes (1) or no (0)


def measures_table(result: Result) -> tuple[Table, ...]:
    """One table, or none where the procedure has no such measures.

    An axis without nystagmus has one row, which says so. Slow phases that are straight have none.
    """
    found = [
        f
        for f in result.findings
        if f.key not in ELSEWHERE and not is_summed_up(f) and (f.key != SHAPE or is_bent(f))
    ]
    if not found:
        return ()
    rows: dict[tuple[str, ...], tuple[Cell, ...]] = {}
    for finding in found:
        head = (finding.step, str(finding.eye or ""), finding.axis or "")
        if finding.value is None:
            name = "all" if _says_nothing(finding) else finding.name
            rows.setdefault((*head, name, finding.reason), _row(head, name, finding))
        else:
            rows[(*head, finding.key)] = _row(head, finding.name, finding)
    return (
        Table(
            "Measures by step, eye and axis",
            ("step", "eye", "axis", "measure", "value", "95 % interval", "limit, or why not"),
            tuple(rows.values()),
            frozenset({4, 5}),
            f"Signs as on the curves. {note(found)} {marks_note(found)}".strip(),
        ),
    )


def _says_nothing(finding: Finding) -> bool:
    return finding.reason.startswith("no nystagmus")


def _row(head: tuple[str, ...], name: str, finding: Finding) -> tuple[Cell, ...]:
    if finding.value is None:
        missing = "none" if _says_nothing(finding) else "not assessed"
        return (*plain(*head, name), Cell(missing, "missing"), Cell(""), Cell(finding.reason, "missing"))
    unit = f" {finding.unit}" if finding.unit else ""
    digits = 0 if finding.key in WHOLE else DIGITS.get(finding.unit, 1)
    value = number_cell(finding, f"{rounded(finding.value, digits)}{unit}")
    between = Cell("")
    if finding.interval is not None:
        between = number_cell(finding, " to ".join(rounded(end, digits) for end in finding.interval))
    limit = Cell(limit_text(finding), "outside" if finding.verdict == "outside" else "plain")
    counted = finding.accepted is not None and finding.rejected is not None
    of = f"{name} (n = {finding.accepted}, {finding.rejected} refused)" if counted else name
    return (*plain(*head, of), value, between, limit)
