"""A report as plain text for the terminal: the same content that the PDF shows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from textwrap import fill

from analysis.report import ReportContent
from analysis.report_tables import Table
from analysis.visit_report import SummaryContent

GAP = "  "
WIDTH = 110


def report_text(content: ReportContent) -> str:
    """Everything but the curves."""
    lines = [f"{content.title}: {content.patient_code}, recorded {content.recorded}"]
    lines += _wrapped("!", [*content.banners, *(f"{flag.text} {flag.action}." for flag in content.red_flags)])
    lines += _sections(content)
    for table in (*content.main_tables, *content.side_tables):
        lines += ["", table.title, *table_lines(table)]
    return "\n".join([*lines, "", f"Signs: {content.sign_rule}.", *_wrapped("", [content.statement])])


def summary_text(content: SummaryContent) -> str:
    """What several recordings say together."""
    lines = [f"{content.title}: {content.patient_code}, recorded {content.recorded}"]
    lines += [*_wrapped("!", content.banners), "", "Recordings", *_wrapped("-", content.recordings)]
    lines += _sections(content)
    for table in content.tables:
        lines += ["", table.title, *table_lines(table)]
    return "\n".join([*lines, "", *_wrapped("", [content.statement])])


def _sections(content: ReportContent | SummaryContent) -> list[str]:
    lines = []
    for title, texts in (
        ("Found", content.conclusions),
        ("Fits", content.fits),
        ("Not concluded", content.not_concluded),
        ("Cautions", content.cautions),
    ):
        if texts:
            lines += ["", title, *_wrapped("-", texts)]
    return lines


def _wrapped(mark: str, texts: Sequence[str]) -> list[str]:
    """Paragraphs of at most WIDTH letters a line, each behind a mark."""
    first = f"{mark} " if mark else ""
    return [fill(text, WIDTH, initial_indent=first, subsequent_indent=" " * len(first)) for text in texts]


def table_lines(table: Table) -> Iterator[str]:
    """Columns set under their heads, numbers to the right."""
    rows = [table.columns, *(tuple(cell.text for cell in row) for row in table.rows)]
    widths = [max(len(row[place]) for row in rows) for place in range(len(table.columns))]
    for row in rows:
        cells = [
            text.rjust(width) if place in table.numbers else text.ljust(width)
            for place, (text, width) in enumerate(zip(row, widths, strict=True))
        ]
        yield (GAP + GAP.join(cells)).rstrip()
    if table.note:
        yield fill(table.note, WIDTH, initial_indent=GAP, subsequent_indent=GAP)
