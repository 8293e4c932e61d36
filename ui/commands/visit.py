"""`driftbeat visit`: the technician's window."""

from __future__ import annotations

from pathlib import Path

import click

from ui.commands.record import FILE

HELP = """\
Open the technician's window: both eyes live, and a visit led test by test.

Every action has a key, shown at the foot of the window; a foot switch or a presenter's clicker that types
keys can be taught there. What to say and do now stands in large words. Each test becomes a sealed recording
in the data folder; closing the window in the middle of one seals what there is.

\b
Goggles with a profile (cameras named by serial number, port or http address); named once, they are listed
on the start page from then on, and those that were used last are opened without any option:
  driftbeat visit --profile goggles.toml
  driftbeat visit

\b
Training without goggles or a patient; every screen is marked. The invented eyes answer to positions, light
and crosses; which patient, the window's training page says:
  driftbeat visit --simulated

Needs the window's libraries: pip install 'driftbeat[window]'.
"""


@click.command(help=HELP)
@click.option("--profile", type=FILE, metavar="TOML", help="Goggle profile: cameras, eyes, mirror, light.")
@click.option("--right", metavar="SOURCE", help="camera:IDENTITY or http://... instead of the profile's.")
@click.option("--left", metavar="SOURCE", help="The same for the left eye.")
@click.option("--both", metavar="SOURCE", help="One camera with both eyes; needs a profile.")
@click.option("--simulated", is_flag=True, help="Training with a simulated patient.")
@click.option("--light-limit", type=float, help="The clinic's own limit for infrared light, W/m2, up to 50.")
@click.option("--data", type=click.Path(file_okay=False, path_type=Path), help="Data folder.")
@click.pass_context
def command(
    context: click.Context,
    profile: Path | None,
    right: str | None,
    left: str | None,
    both: str | None,
    simulated: bool,
    light_limit: float | None,
    data: Path | None,
) -> None:
    """Run the window until it is closed."""
    from ui.visit_run import INVENTED_EYES, run_visit

    if simulated and (profile or right or left or both):
        raise click.UsageError("--simulated brings its own goggles: leave out the other sources.")
    if simulated:
        right, left = INVENTED_EYES
    context.exit(run_visit(profile, right, left, both, light_limit, data))
