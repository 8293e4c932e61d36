"""Setting the content of a report with typst."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import typst

from analysis.report import ReportContent
from analysis.report_tables import Table
from analysis.visit_report import SummaryContent
from ui.plots import trace_picture, velocity_picture
from ui.report.letters import printable

HERE = Path(str(files("ui.report")))
PICTURE_DPI = 200.0
TRACE_MM, VELOCITY_MM = 96.0, 66.0  # of page 1, without titles
PICTURE_SHARES = (1.5, 1.35, 1.22, 1.14, 1.07, 1.0, 0.93, 0.86, 0.78, 0.7, 0.6)


def write_pdf(content: ReportContent, path: Path) -> None:
    """Write the report as a new tagged PDF/A-2b.

    Raises FileExistsError when `path` exists: a report is never overwritten.
    """
    write_new(path, compile_pages(HERE / "page.typ", page_data(content), "pdf", HERE / "parts.typ"))


def write_summary_pdf(content: SummaryContent, path: Path) -> None:
    """Write what several recordings say together as a new tagged PDF/A-2b.

    Raises FileExistsError when `path` exists.
    """
    data = {
        "title": content.title,
        "clinic": printable(content.clinic),
        "patient": printable(content.patient_code),
        "recorded": content.recorded,
        "recording": "",
        "software": content.software,
        "banners": list(content.banners),
        "cautions": list(content.cautions),
        "conclusions": list(content.conclusions),
        "fits": list(content.fits),
        "tables": [_table(table) for table in content.tables],
        "recordings": [printable(text) for text in content.recordings],
        "not_concluded": list(content.not_concluded),
        "limits": list(content.limits),
        "choices": list(content.choices),
        "statement": content.statement,
    }
    write_new(path, compile_pages(HERE / "summary.typ", data, "pdf", HERE / "parts.typ"))


def write_trace_picture(content: ReportContent, path: Path) -> None:
    """Write the trace with its labelled beats as a new PNG.

    Raises FileExistsError when `path` exists.
    """
    data = {
        "svg": trace_picture(content.curves, strip_mm=20.0).svg(),
        "title": printable(f"{content.patient_code}, {content.title.lower()}, {content.recorded}"),
        "banners": [printable(text) for text in content.banners],
    }
    write_new(path, compile_pages(HERE / "picture.typ", data, "png"))


def page_data(content: ReportContent) -> dict[str, Any]:
    """Everything on the pages as plain data: texts, tables and pictures in several heights."""
    return {
        "title": content.title,
        "clinic": printable(content.clinic),
        "patient": printable(content.patient_code),
        "recorded": content.recorded,
        "recording": printable(content.recording_id),
        "software": content.software,
        "banners": list(content.banners),
        "flags": [{"text": printable(f.text), "action": f.action} for f in content.red_flags],
        "summary": _table(content.summary),
        "conclusions": [printable(text) for text in content.conclusions],
        "fixation": content.fixation,
        "fits": list(content.fits),
        "not_concluded": list(content.not_concluded),
        "cautions": [printable(text) for text in content.cautions],
        "velocities": _table(content.main_tables[0]),
        "measures": [_table(table) for table in content.main_tables[1:]],
        "side_tables": [_table(table) for table in content.side_tables],
        "choices": list(content.choices),
        "limits": list(content.limits),
        "steps": [printable(text) for text in content.steps],
        "settings": [{"group": name, "text": printable(text)} for name, text in content.settings.items()],
        "sign_rule": content.sign_rule,
        "listing": any(s.listing_deg is not None for e in content.curves.excerpts for s in e.strips),
        "statement": content.statement,
        "pictures": [_pictures(content, share) for share in PICTURE_SHARES],
    }


def _pictures(content: ReportContent, share: float) -> dict[str, Any]:
    """Both pictures, `share` as high as usual; page 1 takes the largest pair that it has room for.

    A test in which nothing beats has the trace alone.
    """
    strips, curves = len(content.curves.excerpts[0].strips), len(content.curves.velocity)
    trace = trace_picture(content.curves, strip_mm=min(TRACE_MM / max(strips, 1), 30.0 / share) * share)
    beats = any(curve.points for curve in content.curves.velocity)
    velocity = velocity_picture(content.curves, strip_mm=VELOCITY_MM / max(curves, 1) * share)
    return {
        "trace": trace.svg(),
        "velocity": velocity.svg() if beats else "",
        "height_mm": trace.height_mm + velocity.height_mm * beats,
    }


def _table(table: Table) -> dict[str, Any]:
    return {
        "title": table.title,
        "columns": list(table.columns),
        "numbers": sorted(table.numbers),
        "rows": [[{"text": printable(c.text), "style": c.style} for c in row] for row in table.rows],
        "note": table.note,
    }


def compile_pages(template: Path, data: dict[str, Any], form: Any, *before: Path) -> bytes:
    """Run typst on one of our templates, behind others, in an empty root, with our fonts alone."""
    with TemporaryDirectory() as empty:
        compiler = typst.Compiler(
            b"".join(path.read_bytes() for path in (*before, template)),
            root=Path(empty),
            font_paths=typst.Fonts(False, False, [HERE / "fonts"]),
            sys_inputs={"data": json.dumps(data, allow_nan=False)},
        )
        made = compiler.compile(
            format=form,
            ppi=PICTURE_DPI,
            pdf_standards=["a-2b"] if form == "pdf" else [],
            timestamp=datetime.now(UTC).replace(microsecond=0),
        )
    assert isinstance(made, bytes)
    return made


def write_new(path: Path, data: bytes) -> None:
    """All of it or nothing: a torn report would also stand in the way of the next attempt."""
    file = path.open("xb")
    try:
        with file:
            file.write(data)
    except BaseException:
        path.unlink(missing_ok=True)
        raise
