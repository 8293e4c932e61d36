"""`driftbeat rescue`: seal what a crash left behind."""

from __future__ import annotations

from pathlib import Path

import click

HELP = """\
Seal every recording that was cut off by a crash, a power cut or a full disk.

Nothing that was on the disk is lost; such a recording is marked as recovered and not complete. `record` and
`live` do this too, in the background. A recording that goes on right now is left alone.

\b
  driftbeat rescue
"""


@click.command(help=HELP)
@click.option("--data", type=click.Path(file_okay=False, path_type=Path), help="Data folder.")
@click.pass_context
def command(context: click.Context, data: Path | None) -> None:
    """Seal left-overs and print their folders."""
    from recordings.sealing_process import seal_left_overs
    from ui.log import data_folder

    found = seal_left_overs(data or data_folder())
    for left in found:
        click.echo(left.problem, err=True) if left.problem else click.echo(left.folder)
    if not found:
        click.echo("Nothing was left behind.", err=True)
    context.exit(int(any(left.problem for left in found)))
