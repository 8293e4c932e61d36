"""An analysis as text for a terminal: what a doctor wants first, then each number with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.procedure import Result
from analysis.report_tables import Table, fixation_sentence, summary_table, velocity_table

if TYPE_CHECKING:
    from analysis.analyse import RecordingResult

GAP = "  "


def as_text(result: RecordingResult) -> str:
    """Readable summary of every procedure; no identity but the recording's id."""
    blocks = [f"Recording {result.recording_id}"]
    for procedure in result.results:
        blocks += _procedure(procedure)
    return "\n\n".join(blocks) + "\n"


def _procedure(result: Result) -> list[str]:
    steps = [f"{w.key} {w.start_s:.1f} to {w.end_s:.1f} s, {w.note}" for w in result.windows]
    parts = [
        result.title,
        _listed("Doctor now", [flag.text for flag in result.red_flags]),
        table_text(summary_table(result)),
        f"Fixation against dark: {fixation_sentence(result)}",
        _listed("Pattern", result.fits),
        table_text(velocity_table(result)),
        _listed("Steps", steps),
        _listed("Cautions", result.cautions),
        _listed("These findings do not say", result.not_concluded),
    ]
    return [part for part in parts if part]


def _listed(title: str, items: Sequence[str]) -> str:
    return "\n".join([f"{title}:", *(f"  - {item}" for item in items)]) if items else ""


def table_text(table: Table) -> str:
    """A table in columns of even width; numbers to the right."""
    rows = [table.columns, *(tuple(cell.text for cell in row) for row in table.rows)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(table.columns))]
    lines = [
        GAP.join(
            text.rjust(width) if column in table.numbers else text.ljust(width)
            for column, (text, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
    return "\n".join([table.title, *lines, *([table.note] if table.note else [])])
