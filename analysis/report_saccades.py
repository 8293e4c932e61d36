"""Saccades for a doctor: one row a step, eye and direction. Every single measure stands in the export."""

from __future__ import annotations

from analysis.battery.saccade_shape import SHAPES
from analysis.battery.saccades import CONSTANT, COUNTS, GAIN, LATENCY, PEAK, SPEED, VMAX
from analysis.finding import Finding
from analysis.procedure import Result
from analysis.report_tables import Cell, Table, marks_note, number_cell, plain
from capture.samples import Eye

COLUMNS = ((LATENCY, 0), (GAIN, 2), (SPEED, 0))  # measure, and digits behind the point
BY_WAY = (*(key for key, _ in COLUMNS), *COUNTS, VMAX, CONSTANT, *SHAPES)
Found = dict[tuple[str, str, Eye | None], Finding]


def is_summed_up(finding: Finding) -> bool:
    """Whether the table of saccades stands for this finding."""
    way = finding.key.rpartition("_")[2]
    of_way = any(finding.key == f"{key}_{way}" for key in BY_WAY)
    return of_way or (finding.key.startswith(f"{PEAK}_") and way in ("right", "left", "up", "down"))


def saccade_table(result: Result) -> tuple[Table, ...]:
    """One table, or none where the procedure measures no saccades."""
    found: Found = {(f.key, f.step, f.eye): f for f in result.findings}
    rows = [
        _row(found, f, f.key.removeprefix(f"{LATENCY}_"))
        for f in result.findings
        if f.key.startswith(LATENCY)
    ]
    if not rows:
        return ()
    shown = [f for f in result.findings if is_summed_up(f)]
    return (
        Table(
            "Saccades by step, eye and direction",
            (
                "step",
                "eye",
                "direction",
                "latency, ms",
                "gain",
                "speed, % of main sequence",
                "used",
                "not used",
            ),
            tuple(rows),
            frozenset({3, 4, 5, 6}),
            "Medians with their 95 % intervals. Main sequence: 551 (1 - exp(-amplitude / 14)) deg/s. Fitted "
            "curves, peak velocities at fixed sizes, durations, skewness and corrective saccades stand in "
            f"the export. {marks_note(shown)}".strip(),
        ),
    )


def _row(found: Found, late: Finding, way: str) -> tuple[Cell, ...]:
    place = (late.step, late.eye)
    cells = [_cell(found[f"{key}_{way}", *place], digits) for key, digits in COLUMNS]
    counts = [(found[f"{key}_{way}", *place], name) for key, name in COUNTS.items()]
    unused = [f"{f.value:.0f} {name}" for f, name in counts if f.value]
    return (
        *plain(late.step, str(late.eye), way),
        *cells,
        Cell("" if late.accepted is None else str(late.accepted)),
        Cell(", ".join(unused)),
    )


def _cell(finding: Finding, digits: int) -> Cell:
    if finding.value is None:
        return Cell(f"not assessed: {finding.reason}", "missing")
    text = f"{finding.value:.{digits}f}"
    if finding.interval is not None:
        text += f" ({finding.interval[0]:.{digits}f} to {finding.interval[1]:.{digits}f})"
    return number_cell(finding, text)
