"""`driftbeat analyse`: what was measured, as text or JSON."""

from __future__ import annotations

from pathlib import Path

import click

HELP = """\
Find the beats of the recording in FOLDER and print what was measured: slow-phase velocity with its spread by
step, eye and axis, beats a second, the effect of fixation, what the findings fit and what they do not say.

A measure that the recording cannot give is "not assessed" with the reason. Nothing is written; the recording
stays as it was sealed.

\b
  driftbeat analyse FOLDER
  driftbeat analyse FOLDER --json > findings.json
"""


@click.command(help=HELP)
@click.argument("folder", type=click.Path(exists=True, path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print findings and settings as JSON.")
def command(folder: Path, as_json: bool) -> None:
    """Print the results of one recording."""
    import msgspec

    from analysis.analyse import analyse_recording
    from analysis.report import report_content
    from analysis.report_data import result_as_data
    from recordings.sealed import open_recording
    from ui.progress import working
    from ui.text_report import report_text

    with open_recording(folder) as recording:
        with working("Analysing"):
            result = analyse_recording(recording, recording.info.birth_year)
        if as_json:
            text = msgspec.json.format(msgspec.json.encode(result_as_data(recording, result)), indent=2)
            click.echo(text)  # bytes, so UTF-8 whatever the terminal speaks
        else:
            click.echo(report_text(report_content(recording, result)))
