"""`driftbeat report`: the PDF for the doctor."""

from __future__ import annotations

from pathlib import Path

import click

from ui.messages import CommandError

HELP = """\
Make the PDF of the recording in FOLDER: trace with labelled beats, slow-phase velocity over time, a table
with n, spread, limits and their source, quality, cautions.

The file must be new; nothing is overwritten. Without --out it is report.pdf where you are.

\b
  driftbeat report FOLDER --out report.pdf
"""


@click.command(help=HELP)
@click.argument("folder", type=click.Path(exists=True, path_type=Path))
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("report.pdf"),
    help="New PDF file.",
    show_default=True,
)
def command(folder: Path, out: Path) -> None:
    """Write one PDF."""
    from analysis.analyse import analyse_recording
    from analysis.report import report_content
    from recordings.sealed import open_recording
    from ui.progress import working
    from ui.report import write_pdf

    if out.exists():
        raise CommandError(f"{out} exists already and was not touched. Choose a new file.")
    with open_recording(folder) as recording, working("Analysing"):
        result = analyse_recording(recording, recording.info.birth_year)
        content = report_content(recording, result, clinic=recording.info.site)
        out.parent.mkdir(parents=True, exist_ok=True)
        write_pdf(content, out)
    click.echo(f"Report written to {out}")
