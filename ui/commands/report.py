"""`driftbeat report`: the PDF for the doctor."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import click

from ui.messages import CommandError

HELP = """\
Make the PDF of the recording in FOLDER: trace with labelled beats, slow-phase velocity over time, a table
with n, spread, limits and their source, quality, cautions.

The file must be new; nothing is overwritten. Without --out it is report.pdf where you are.

\b
  driftbeat report FOLDER --out report.pdf
  driftbeat report RIGHT_WARM LEFT_WARM RIGHT_COOL LEFT_COOL --out caloric.pdf

With several folders, of one patient and day, the PDF holds what they say together: the caloric test from all
its irrigations. Each recording keeps a report of its own.
"""


@click.command(help=HELP)
@click.argument(
    "folders", metavar="FOLDER...", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path)
)
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("report.pdf"),
    help="New PDF file.",
    show_default=True,
)
def command(folders: tuple[Path, ...], out: Path) -> None:
    """Write one PDF."""
    from analysis.report import report_content
    from analysis.visit_report import summary_contents
    from ui.opened_visit import analysed
    from ui.report import write_pdf, write_summary_pdf

    if out.exists():
        raise CommandError(f"{out} exists already and was not touched. Choose a new file.")
    with ExitStack() as opened:
        recordings, visit = analysed(folders, opened)
        out.parent.mkdir(parents=True, exist_ok=True)
        if len(folders) == 1:
            recording = recordings[0]
            write_pdf(report_content(recording, visit.recordings[0], clinic=recording.info.site), out)
        elif contents := summary_contents(recordings, visit):
            write_summary_pdf(contents[0], out)
        else:
            raise CommandError(
                "These recordings have nothing to say together: none is an irrigation of the caloric test. "
                "No report was written. Name one folder for the report of one recording."
            )
    click.echo(f"Report written to {out}")
