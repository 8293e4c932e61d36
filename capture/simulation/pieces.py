"""The path of two eyes as pieces end to end: parabolas for slow movement, quick phases between them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from capture.samples import EYES, Eye
from capture.simulation.canals import Triple
from capture.simulation.movement import minimum_jerk

Floats = NDArray[np.float64]
KEPT_S = 30.0  # of the path that can still be asked for, where not all is kept
START, SLOW, PLACE, FIRST, SECOND, LASTS = 0, 1, slice(2, 5), slice(5, 8), slice(8, 11), slice(11, 13)
COLUMNS, ROOM = 13, 1024


class Pieces:
    """Pieces in order of time, one row each; `keep`: all of them, else the last `KEPT_S`."""

    def __init__(self, *, keep: bool) -> None:
        self._keep, self._count = keep, 0
        self._rows = np.empty((ROOM, COLUMNS))

    def slow(
        self, start_s: float, place_deg: Triple, first_dps: Triple, second_dps: Triple, s: float
    ) -> None:
        """From a place with a velocity that changes evenly from the first to the second within `s`."""
        self._append((start_s, 1.0, *place_deg, *first_dps, *second_dps, s, s))

    def quick(
        self, start_s: float, place_deg: Triple, amplitude_deg: Triple, lasts_s: Sequence[float]
    ) -> None:
        """From a place by an amplitude, as long as each eye takes for it (right, left); then rest."""
        self._append((start_s, 0.0, *place_deg, *amplitude_deg, 0.0, 0.0, 0.0, *lasts_s))

    def place_deg(self, time_s: Floats, eye: Eye) -> Floats:
        """(n, 3) of an eye at times (n,) within the pieces."""
        rows = self._rows[: self._count]
        row = rows[np.clip(np.searchsorted(rows[:, START], time_s, side="right") - 1, 0, None)]
        since = (time_s - row[:, START])[:, None]
        lasts = row[:, LASTS][:, EYES.index(eye), None]
        bent = (row[:, SECOND] - row[:, FIRST]) / (2 * lasts)
        slow = since * (row[:, FIRST] + bent * since)
        quick = minimum_jerk(since / lasts) * row[:, FIRST]
        return row[:, PLACE] + np.where(row[:, SLOW, None] > 0, slow, quick)

    def _append(self, row: tuple[float, ...]) -> None:
        if self._count == len(self._rows):
            old = 0 if self._keep else int(np.searchsorted(self._rows[:, START], row[START] - KEPT_S)) - 1
            kept = self._rows[max(old, 0) :]
            self._rows = np.concatenate((kept, np.empty((max(ROOM, len(kept)), COLUMNS))))
            self._count = len(kept)
        self._rows[self._count] = row
        self._count += 1
