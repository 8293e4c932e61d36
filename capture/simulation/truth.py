"""What really happened before the simulated cameras, and how it is written beside a recording."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from capture.errors import SourceError
from capture.samples import AXES, Eye, Target
from capture.simulation.anatomy import SimulatedEye
from capture.simulation.camera import Camera
from capture.simulation.movement import TrueBeat, TrueEvent

FRAME_DTYPE = np.dtype(
    [
        ("frame", "<i8"),
        ("time_s", "<f8"),  # middle of the exposure, host clock
        ("lost", "u1"),  # exposed but never delivered
        ("horizontal_deg", "<f8"),
        ("vertical_deg", "<f8"),
        ("torsional_deg", "<f8"),
        ("x_px", "<f8"),
        ("y_px", "<f8"),
        ("major_px", "<f8"),
        ("minor_px", "<f8"),
        ("angle_deg", "<f8"),
        ("visible_share", "<f8"),
        ("rotation_deg", "<f8"),
        ("pupil_mm", "<f8"),
        ("opening", "<f8"),  # of the lids: 1 usual, 0 shut
        ("light", "<f8"),
        ("blink", "u1"),
    ]
)


@dataclass(frozen=True, slots=True)
class Truth:
    """The truth of one simulated visit. Times in seconds of the host's clock."""

    seed: int
    rate_hz: float
    frames: Mapping[Eye, NDArray[np.void]]  # FRAME_DTYPE, one row an exposure, lost ones too
    beats: tuple[TrueBeat, ...]
    events: tuple[TrueEvent, ...]
    targets: tuple[Target, ...]
    steps: tuple[tuple[float, float, str], ...]
    anatomy: Mapping[Eye, SimulatedEye]
    cameras: Mapping[Eye, Camera]

    def write(self, folder: Path) -> tuple[Path, ...]:
        """Write the truth into an existing folder and return the files.

        Raises SourceError if a file is there already (nothing is overwritten) or cannot be written.
        """
        setup = {
            "seed": self.seed,
            "rate_hz": self.rate_hz,
            "anatomy": dict(self.anatomy),
            "cameras": dict(self.cameras),
            "steps": self.steps,
        }
        text = msgspec.json.format(msgspec.json.encode(setup), indent=1)
        tables: dict[str, tuple[Sequence[str], Iterable[Sequence[object]]]] = {
            "truth_beats.csv": (BEAT_COLUMNS, map(_beat_row, self.beats)),
            "truth_events.csv": (TrueEvent._fields, self.events),
            "truth_targets.csv": (Target._fields, self.targets),
        }
        for eye, rows in self.frames.items():
            tables[f"truth_frames_{eye}.csv"] = (FRAME_DTYPE.names or (), rows.tolist())
        try:
            written = [_write_table(folder / name, *table) for name, table in tables.items()]
            with (folder / "truth_setup.json").open("xb") as file:
                file.write(text)
        except OSError as error:
            raise SourceError(
                f"The truth cannot be written into {folder} ({error.strerror}: {error.filename}). "
                "The recording is not touched. Choose a folder without earlier truth files."
            ) from error
        return (*written, folder / "truth_setup.json")


BEAT_COLUMNS = (
    "slow_start_s",
    "slow_end_s",
    "quick_start_s",
    "quick_end_s",
    *(f"slow_phase_velocity_{axis}_dps" for axis in AXES),
    *(f"amplitude_{axis}_deg" for axis in AXES),
    "axis",
    "direction",
    "in_blink",
)


def _beat_row(beat: TrueBeat) -> Sequence[object]:
    return (*beat[:4], *beat.slow_phase_velocity_dps, *beat.amplitude_deg, *beat[6:])


def _write_table(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> Path:
    with path.open("x", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(header)
        writer.writerows(rows)
    return path
