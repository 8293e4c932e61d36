"""`driftbeat crosses`: sheets to look at for a calibration without a stimulus screen."""

from __future__ import annotations

from pathlib import Path

import click

HELP = """\
Write nine crosses for a wall or ceiling as PDF, true to size for the distance between eyes and wall.

\b
  driftbeat crosses --distance-m 1.2 crosses.pdf
  driftbeat crosses --distance-m 1.6 --on ceiling ceiling.pdf

Print at 100 %; a ruler on every sheet shows whether the printer kept the size. Where one sheet is too small
each cross has its own, which says how many centimetres from the centre cross it belongs.
"""


@click.command(help=HELP)
@click.argument("out", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--distance-m", type=float, required=True, help="From the eyes to the wall, in metres.")
@click.option("--angle-deg", type=click.Choice(["10", "15"]), default="10", show_default=True,
              help="To the sides; up and down it is always 10.")  # fmt: skip
@click.option("--on", "surface", type=click.Choice(["wall", "ceiling"]), default="wall", show_default=True)
def command(out: Path, distance_m: float, angle_deg: str, surface: str) -> None:
    """Write the sheets and say how many."""
    from ui.crosses.pdf import write_crosses

    try:
        count = write_crosses(
            out, distance_m, float(angle_deg), "ceiling" if surface == "ceiling" else "wall"
        )
    except ValueError as error:
        raise click.UsageError(f"No crosses were made: {error}.") from error
    click.echo(f"{out}: {count} sheet{'s' if count > 1 else ''} of crosses. Print at 100 %.")
