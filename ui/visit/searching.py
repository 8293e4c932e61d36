"""What takes too long for a tick of the window: slips, beats and signs, sought in copies of the samples."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.beats import Beat, find_beats
from analysis.live import LiveNystagmus, live_nystagmus
from analysis.live_flags import flutter_sign, level_sign
from analysis.trace import Trace, trace_of_rows
from capture.calibration import Calibration, degrees
from capture.samples import AXES, Eye
from capture.slip import Slip
from capture.slip_watch import SlipWatch, Step, away_px

FEWEST_ROWS = 10


@dataclass(frozen=True, slots=True)
class Asked:
    """One eye: what came since it was asked last and, where beats are sought, its last seconds."""

    eye: Eye
    calibration: Calibration
    watch: SlipWatch  # used by one search at a time
    begin_s: float | None  # a recording has begun
    fresh: NDArray[np.void]
    rows: NDArray[np.void] | None


class Beats(NamedTuple):
    """What one search found."""

    newest_s: float
    trace: Trace
    beats: tuple[Beat, ...]
    nystagmus: LiveNystagmus


class Found(NamedTuple):
    """What came of one eye."""

    asked: Asked
    steps: tuple[Step, ...]
    slips: tuple[Slip, ...]
    moving: bool
    beats: Beats | None  # None: not sought, or not to be told while the goggles are about to move


def convert(rows: NDArray[np.void], calibration: Calibration, steps: tuple[Step, ...]) -> None:
    """Fill in the degrees, in place, as the goggles would show them had they not slipped."""
    x_px, y_px = rows["x_px"], rows["y_px"]
    if len(steps) > 1:
        away = away_px(steps, rows["time_s"], calibration.model.mm_per_px)
        x_px, y_px = x_px - away[:, 0], y_px - away[:, 1]
    for axis, column in zip(AXES, degrees(calibration, x_px, y_px, rows["rotation_deg"]).T, strict=True):
        rows[f"{axis}_deg"] = column


def search(asked: list[Asked]) -> list[Found]:
    """Follow the goggles before each eye, and look for beats where that is asked."""
    return [_search(one) for one in asked]


def _search(asked: Asked) -> Found:
    watch = asked.watch
    if asked.begin_s is not None:
        watch.begin(asked.begin_s)
    watch.add(asked.fresh)
    watch.look()
    found = None
    if asked.rows is not None and len(asked.rows) >= FEWEST_ROWS and not (watch.suspected or watch.moving):
        convert(asked.rows, asked.calibration, watch.steps)
        trace = trace_of_rows(asked.eye, asked.rows, asked.calibration)
        beats, newest_s = find_beats(trace), float(asked.rows["time_s"][-1])
        found = Beats(newest_s, trace, beats, live_nystagmus(beats, newest_s))
    return Found(asked, watch.steps, watch.slips, watch.moving, found)


def flags(traces: Mapping[Eye, Trace], newest_s: float) -> tuple[str, ...]:
    """Signs that show in the traces themselves."""
    return tuple(text for text in (flutter_sign(traces, newest_s), level_sign(traces, newest_s)) if text)
