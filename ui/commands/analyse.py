"""`driftbeat analyse`: what was measured, as text or JSON."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import click

HELP = """\
Find the beats of the recording in FOLDER and print what was measured: slow-phase velocity with its spread by
step, eye and axis, beats a second, the effect of fixation, what the findings fit and what they do not say.

With several folders, of one patient and day, also what they say together: the caloric test from all its
irrigations.

A measure that the recording cannot give is "not assessed" with the reason. Nothing is written; the recording
stays as it was sealed.

\b
  driftbeat analyse FOLDER
  driftbeat analyse FOLDER --json > findings.json
  driftbeat analyse RIGHT_WARM LEFT_WARM RIGHT_COOL LEFT_COOL
"""


@click.command(help=HELP)
@click.argument(
    "folders", metavar="FOLDER...", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path)
)
@click.option("--json", "as_json", is_flag=True, help="Print findings and settings as JSON.")
def command(folders: tuple[Path, ...], as_json: bool) -> None:
    """Print the results of one recording, or of several and what they say together."""
    import msgspec

    from analysis.report import report_content
    from analysis.report_data import result_as_data
    from analysis.visit_report import summary_contents, visit_as_data
    from ui.opened_visit import analysed
    from ui.text_report import report_text, summary_text

    with ExitStack() as opened:
        recordings, visit = analysed(folders, opened)
        if as_json:
            one = len(folders) == 1
            data = (
                result_as_data(recordings[0], visit.recordings[0])
                if one
                else visit_as_data(recordings, visit)
            )
            click.echo(msgspec.json.format(msgspec.json.encode(data), indent=2))  # bytes: UTF-8 everywhere
            return
        by_id = {recording.info.id: recording for recording in recordings}
        texts = [report_text(report_content(by_id[r.recording_id], r)) for r in visit.recordings]
        if len(folders) > 1:
            texts += [summary_text(content) for content in summary_contents(recordings, visit)]
        click.echo("\n\n\n".join(texts))
