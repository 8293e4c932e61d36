"""`driftbeat live`: cameras in, a sealed recording out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ui.commands.record import FILE, YEAR, Code, Finite

HELP = """\
Record live from the cameras of a pair of goggles into a sealed recording in the data folder.

Before the start it says what each camera really delivers, what that rules out, and for how many hours the
disk has room. Every sample and picture is on the disk within half a second, whatever fails after that; what a
crash leaves behind is repaired at the next start. Stop with Enter or Ctrl-C, or after --seconds.

\b
Goggles with a profile (cameras named by serial number, port or http address):
  driftbeat live --profile goggles.toml --patient HL-0007 --seconds 60

\b
Without a patient, from any camera; and without any camera:
  driftbeat live --right camera:0042A7 --bench
  driftbeat live --right simulated:right --left simulated:left --bench --seconds 10

A profile without the infrared irradiance at the cornea, or above 50 W/m2, allows --bench only. Times in
--targets and --steps are seconds after the start.
"""


@click.command(help=HELP)
@click.option("--profile", type=FILE, metavar="TOML", help="Goggle profile: cameras, eyes, mirror, light.")
@click.option("--right", metavar="SOURCE", help="camera:IDENTITY, http://..., or simulated:right.")
@click.option("--left", metavar="SOURCE", help="The same for the left eye.")
@click.option("--both", metavar="SOURCE", help="One camera with both eyes; needs a profile.")
@click.option("--patient", type=Code(), help="Pseudonym, such as HL-0007; never a name.")
@click.option("--bench", is_flag=True, help="No patient is in front of the cameras.")
@click.option("--seconds", type=Finite(0.5, 36000), help="Stop after so many seconds.")
@click.option("--rate", type=Finite(1, 2000), help="Pictures a second to ask for.")
@click.option("--size", type=(int, int), metavar="WIDTH HEIGHT", help="Picture size to ask for.")
@click.option("--exposure", type=Finite(0.01, 1000), help="Milliseconds; locks automatic exposure.")
@click.option("--gain", type=Finite(-10_000, 10_000), help="In the driver's own unit.")
@click.option("--crop", is_flag=True, help="Keep only the part of the picture around the eye.")
@click.option("--cover", type=click.Choice(["right", "left"]), help="First prove which eye is which.")
@click.option("--light-limit", type=float, help="The clinic's own limit for infrared light, W/m2, up to 50.")
@click.option("--targets", type=FILE, metavar="CSV", help="Where the patient is asked to look.")
@click.option("--steps", type=FILE, metavar="CSV", help="When each step of the test is done.")
@click.option("--year-of-birth", type=YEAR, help="For limits that depend on age.")
@click.option("--operator", type=Code(), help="Pseudonym of the operator.")
@click.option("--site", default="", help="Name of the clinic, as printed on the report.")
@click.option(
    "--images",
    type=click.Choice(["jpeg", "lossless", "none"]),
    default="jpeg",
    show_default=True,
    help="Which eye pictures are kept; JPEG from the camera is kept as it came.",
)
@click.option(
    "--quality",
    type=click.IntRange(50, 100),
    default=90,
    show_default=True,
    help="JPEG quality, where the camera sends no JPEG of its own.",
)
@click.option("--data", type=click.Path(file_okay=False, path_type=Path), help="Data folder.")
@click.pass_context
def command(context: click.Context, **options: Any) -> None:
    """Record from cameras and print the recording's folder."""
    from ui.live_run import record_live
    from ui.live_sources import LiveOptions

    context.exit(record_live(LiveOptions(**options)))
