"""`driftbeat cameras`: which cameras there are, and what they really deliver."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ui.commands.record import Finite

HELP = """\
List the cameras at this computer by what stays the same: serial number or port, never the index.

With --measure each camera is opened for about a second: what was asked and what it took, how many distinct
pictures a second it really gives, and what that rules out. With --preview one picture of each is written as
PNG; look whether the eye is sharp and whole.

\b
  driftbeat cameras
  driftbeat cameras --measure --preview previews
  driftbeat cameras --source http://goggles.local:8080/right --rate 250

Other sources are named as `camera:IDENTITY`, `http://...` (JPEG pictures over HTTP), `simulated:right`.
"""


@click.command(help=HELP)
@click.option("--measure", is_flag=True, help="Open each camera and measure its true rate.")
@click.option(
    "--preview", type=click.Path(file_okay=False, path_type=Path), help="Folder for a picture of each."
)
@click.option("--source", "sources", multiple=True, help="Measure this source instead of the listed ones.")
@click.option("--rate", type=Finite(1, 2000), help="Pictures a second to ask for.")
@click.option("--size", type=(int, int), metavar="WIDTH HEIGHT", help="Picture size to ask for.")
@click.option("--exposure", type=Finite(0.01, 1000), help="Milliseconds; locks automatic exposure.")
@click.option("--gain", type=Finite(-10_000, 10_000), help="In the driver's own unit.")
@click.pass_context
def command(context: click.Context, **options: Any) -> None:
    """List and measure cameras."""
    from ui.camera_check import CameraOptions, check_cameras

    context.exit(check_cameras(CameraOptions(**options)))
