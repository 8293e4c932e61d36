"""`driftbeat record`: video files in, a sealed recording out."""

from __future__ import annotations

import math
import re
from datetime import date
from pathlib import Path
from typing import Any

import click

HELP = """\
Turn video of one or two eyes into a sealed recording in the data folder.

The pupil and the iris are followed in every picture, positions become degrees by the calibration targets, and
samples and pictures are sealed in a folder with a random name, printed as the last line. Nothing is ever
overwritten; a video that breaks off keeps what came before.

\b
Two eyes, two files, the times at which the frames arrived, and targets:
  driftbeat record --right right.mkv --right-times right.csv \\
                   --left left.mkv --left-times left.csv \\
                   --targets targets.csv --steps steps.csv --patient HL-0007

\b
One picture that holds both eyes, seen through a mirror:
  driftbeat record --both goggle.avi --times frames.csv --mirrored \\
                   --right-region 320,0,320,240 --left-region 0,0,320,240 \\
                   --patient HL-0007

\b
The CSV files (plain, the times also .gz; all times in the same host clock):
  times    video_frame,host_time_s
  targets  start_s,end_s,horizontal_deg,vertical_deg   right and up positive
  steps    start_s,end_s,step[,reached_s]              light, dark, fixation, or the steps of another test
  notes    at_s,note                                   settings of the subjective visual vertical

Without targets degrees are marked uncalibrated and are held against no limit. Without times the video's own
are taken and the rate counts as not proven.
"""

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


YEAR = click.IntRange(1900, date.today().year)


class Region(click.ParamType):
    """`x,y,width,height` in pixels."""

    name = "x,y,w,h"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Four whole numbers, the last two above 0."""
        try:
            x, y, width, height = (int(part) for part in value.split(","))
        except ValueError:
            self.fail("write four whole numbers as x,y,width,height", param, ctx)
        if min(x, y) < 0 or min(width, height) <= 0:
            self.fail("x and y start at 0, width and height at 1", param, ctx)
        return x, y, width, height


class Finite(click.FloatRange):
    """A number within a range: click's own lets "nan" through, which lies in none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Refuse what is not a finite number."""
        number = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value} is not a number", param, ctx)
        return number


class Code(click.ParamType):
    """A pseudonym: letters, digits and dashes, up to 32 of them, no dash in front."""

    name = "code"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Refuse anything that could be a name with a space, or a path."""
        if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9-]{0,31}", value):
            said = "use up to 32 letters, digits and dashes, no dash in front, such as HL-0007; never a name"
            self.fail(said, param, ctx)
        return value


@click.command(help=HELP)
@click.option("--right", type=FILE, metavar="VIDEO", help="Video of the patient's right eye.")
@click.option("--left", type=FILE, metavar="VIDEO", help="Video of the patient's left eye.")
@click.option("--both", type=FILE, metavar="VIDEO", help="Video with both eyes in one picture.")
@click.option("--right-times", type=FILE, metavar="CSV", help="When the frames of --right arrived.")
@click.option("--left-times", type=FILE, metavar="CSV", help="When the frames of --left arrived.")
@click.option("--times", type=FILE, metavar="CSV", help="When the frames of --both arrived.")
@click.option("--right-region", type=Region(), help="Part of the picture with the right eye, pixels.")
@click.option("--left-region", type=Region(), help="Part of the picture with the left eye, pixels.")
@click.option("--mirrored", is_flag=True, help="The pictures are mirrored left-right (hot mirror).")
@click.option(
    "--rotation",
    type=click.Choice(["0", "90", "180", "270"]),
    default="0",
    help="Turn by this many degrees counter-clockwise (after the mirror) to bring the pictures upright.",
)
@click.option(
    "--profile", type=FILE, metavar="TOML", help="Goggle profile instead of mirror, rotation, regions."
)
@click.option(
    "--targets", type=FILE, metavar="CSV", help="Where the patient was asked to look, for calibration."
)
@click.option("--steps", type=FILE, metavar="CSV", help="When each step of the test was done.")
@click.option("--notes", type=FILE, metavar="CSV", help="Settings of the subjective visual vertical.")
@click.option("--patient", type=Code(), required=True, help="Pseudonym, such as HL-0007; never a name.")
@click.option("--year-of-birth", type=YEAR, help="For limits that depend on age.")
@click.option("--operator", type=Code(), help="Pseudonym of the operator.")
@click.option("--site", default="", help="Name of the clinic, as printed on the report.")
@click.option(
    "--images",
    type=click.Choice(["jpeg", "lossless", "none"]),
    default="jpeg",
    show_default=True,
    help="Which eye pictures are kept beside the measurement.",
)
@click.option("--data", type=click.Path(file_okay=False, path_type=Path), help="Data folder.")
@click.pass_context
def command(context: click.Context, **options: Any) -> None:
    """Record from files and print the recording's folder."""
    from ui.recording_run import RecordOptions, record

    context.exit(record(RecordOptions(**options)))
