"""The `driftbeat` command.

Sub-commands are imported only when they are called, and the text of each one's line stands here, so that
`driftbeat --help` answers at once (numpy's import alone takes longer than the whole answer may).
"""

from __future__ import annotations

import importlib
import sys
from io import TextIOWrapper
from typing import Any

import click

from ui.messages import explain
from ui.qt_libraries import drop_opencv_qt_paths

INTERRUPTED = 130  # the shell's number for a command that Ctrl-C ended

COMMANDS = {
    "cameras": "List cameras and what they really deliver.",
    "visit": "Open the technician's window: a visit led test by test.",
    "crosses": "Print crosses for a calibration on a wall or ceiling, true to size.",
    "live": "Record from the cameras of a pair of goggles.",
    "record": "Turn video of one or two eyes into a sealed recording.",
    "analyse": "Find the beats of a recording and print what was measured.",
    "report": "Make the PDF for the doctor.",
    "export": "Write samples, beats and a description as CSV and JSON.",
    "rescue": "Seal what a crash left behind.",
    "verify": "Check that a recording is complete and unchanged.",
    "demo": "Simulate a patient and go the whole way from pictures to report, with the truth beside.",
}

HELP = """\
Driftbeat turns infrared goggle video of the eyes into a vestibular measurement: eye position in degrees,
every nystagmus beat labelled, and a report with its uncertainty. It reports findings and patterns; the
diagnosis is the doctor's.

\b
The usual sequence (record prints the folder that the other commands take):
  driftbeat record --right right.mkv --left left.mkv \\
                   --targets targets.csv --patient HL-0007
  driftbeat analyse FOLDER
  driftbeat report  FOLDER --out report.pdf
  driftbeat export  FOLDER --out tables

\b
From cameras instead of video files:
  driftbeat cameras --measure
  driftbeat live --profile goggles.toml --patient HL-0007

\b
No video at hand? This simulates a patient and shows what comes out:
  driftbeat demo

Directions are the patient's own: right, up, and the upper pole of the eye toward the patient's right are
positive. Recordings go to the data folder: `--data`, else the variable DRIFTBEAT_DATA, else a folder of
the user's account. `driftbeat COMMAND --help` explains one command with examples.
"""


class DriftbeatGroup(click.Group):
    """Imports a sub-command when it is called, and ends in an exit code, never in a traceback.

    Exit codes: 0 done, 1 error, 2 usage, 130 interrupted.
    """

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of use."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import `ui.commands.<name>`; None for an unknown name."""
        if cmd_name not in COMMANDS:
            return None
        return importlib.import_module(f"ui.commands.{cmd_name}").command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the table of sub-commands without importing any of them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> Any:
        """Run a sub-command with the log open."""
        from ui.log import opened_log  # the group's --help needs no log

        drop_opencv_qt_paths()
        for stream in (sys.stdout, sys.stderr):  # a letter that the terminal lacks becomes a question mark
            if isinstance(stream, TextIOWrapper):
                stream.reconfigure(errors="replace")
        with opened_log() as log_file:
            try:
                return super().invoke(ctx)
            except (click.ClickException, click.exceptions.Exit, click.Abort, BrokenPipeError):
                raise  # click shows these and sets the exit code
            except KeyboardInterrupt:
                click.echo("Interrupted. What was sealed before is untouched.", err=True)
                ctx.exit(INTERRUPTED)
            except Exception as error:
                click.echo(f"Error: {explain(error, log_file)}", err=True)
                ctx.exit(1)


@click.group(cls=DriftbeatGroup, help=HELP, context_settings={"max_content_width": 110})
@click.version_option(package_name="driftbeat")
def main() -> None:
    """The group of all sub-commands."""


if __name__ == "__main__":
    main()
