"""`driftbeat export`: samples and beats for any other program."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from analysis.analyse import RecordingResult
    from capture.samples import Eye
    from recordings.sealed import Recording

HELP = """\
Write the recording in FOLDER as plain tables into a new folder.

\b
  samples_right.csv, samples_left.csv   one row a frame of the source
  beats.csv                             one row a beat, refused ones with the reason
  recording.json                        signs, units, calibration, settings, versions

Times count from the earliest first frame of either eye. An empty cell is a missing value. Nothing that exists
is overwritten.

\b
  driftbeat export FOLDER --out tables
"""


@click.command(help=HELP)
@click.argument("folder", type=click.Path(exists=True, path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), required=True, help="New folder for the tables.")
def command(folder: Path, out: Path) -> None:
    """Export one recording."""
    from analysis.analyse import analyse_recording
    from recordings.sealed import open_recording
    from ui.progress import working

    with open_recording(folder) as recording:
        with working("Analysing"):
            result = analyse_recording(recording, recording.info.birth_year)
        write_export(recording, result, out)
    click.echo(f"Exported to {out}")


def write_export(recording: Recording, result: RecordingResult, out: Path) -> None:
    """Write the tables of an analysed recording into the new folder `out`, with a progress bar."""
    from analysis.analyse import plain
    from analysis.banners import banners, sign_rule
    from analysis.beat_table import beat_rows
    from capture.calibration import standard_error_deg
    from recordings.export.description import describe
    from recordings.export.tables import Proven, Tables, write_tables
    from ui.progress import bar

    beats = [row for eye, trace in result.traces.items() for row in beat_rows(trace, result.beats[eye])]
    proven: dict[Eye, Proven] = {
        eye: Proven(trace.calibrated, trace.direction_proven) for eye, trace in result.traces.items()
    }
    description = describe(recording, plain(result.settings), banners(recording), sign_rule(recording))
    errors_deg: dict[Eye, NDArray[np.float64]] = {
        eye: standard_error_deg(recording.calibrations[eye], samples["x_px"], samples["y_px"])
        for eye, samples in recording.samples.items()
    }
    tables = Tables(recording.samples, errors_deg, proven, beats, description)
    with bar("Exporting", sum(map(len, recording.samples.values())) + len(beats)) as advance:
        write_tables(out, tables, advance)
