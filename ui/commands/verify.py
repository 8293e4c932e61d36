"""`driftbeat verify`: whether a recording is still what was sealed."""

from __future__ import annotations

from pathlib import Path

import click

HELP = """\
Check that the recording in FOLDER is complete and unchanged since it was sealed.

The files are read whole and their SHA-256 is compared with the seal. The exit code is 0 where nothing differs
and 1 where something does.

\b
  driftbeat verify FOLDER
"""


@click.command(help=HELP)
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.pass_context
def command(context: click.Context, folder: Path) -> None:
    """Print each file's state."""
    from recordings.verify import verify
    from ui.progress import working

    with working("Reading"):
        report = verify(folder)
    click.echo(f"Recording {report.id}, sealed {report.sealed_utc}")
    for name, state in report.files.items():
        click.echo(f"  {name}: {state}")
    if not report.complete:
        click.echo("  The recording was cut short; what there is of it is sealed.")
    for difference in report.differences:
        click.echo(f"Error: {difference}", err=True)
    if not report.ok:
        click.echo("Take the recording from a second copy. Nothing here was changed.", err=True)
        context.exit(1)
    click.echo("Unchanged since it was sealed.")
