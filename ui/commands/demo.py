"""`driftbeat demo`: a simulated patient through the whole chain, with the truth beside."""

from __future__ import annotations

from pathlib import Path

import click

HELP = """\
Simulate a patient and go the whole way: calibration, spontaneous nystagmus in the dark, then with fixation,
both eyes at 250 frames/s; recording, analysis, report, tables; what was simulated beside what was measured.

Everything is invented and marked as training: patient HL-0007 at Harbour Lane Balance Clinic. The simulated
pictures go through the same steps as a camera's. Takes about a minute; the first run also compiles.

\b
  driftbeat demo
  driftbeat demo --out demo --seconds 30 --truth
"""


@click.command(help=HELP)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="New folder for everything. By default one named by the time, in the data folder.",
)
@click.option(
    "--seconds",
    type=click.IntRange(10, 120),
    default=12,
    show_default=True,
    help="Length of the dark and of the fixation step.",
)
@click.option("--truth", is_flag=True, help="Also write what was simulated, frame by frame and beat by beat.")
@click.pass_context
def command(context: click.Context, out: Path | None, seconds: int, truth: bool) -> None:
    """Run the demonstration."""
    from ui.demonstration import demonstrate

    context.exit(demonstrate(out, float(seconds), truth))
