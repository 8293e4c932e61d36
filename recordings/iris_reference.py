"""One iris reference from recording to recording, so that zero torsion stays the same over a visit.

A tracker reads the iris against the first good pictures that it saw. Handed on, torsion in all recordings of
a visit counts from there, and the calibration says where zero is (clinical.md 4: a reference in a declared
position, always the same one). It is taken anew only while nothing is recorded: where the eye was away for
so long that the goggles may have been taken off, and where the iris no longer matches: another patient,
other light. A slip moves iris and pupil together and does not spoil it; whether it turned the picture nobody
can see.
"""

from __future__ import annotations

import math
from collections import deque

from capture.samples import Eye, Tracked

AWAY_S = 10.0  # without a pupil: the goggles may have been off (a choice: no blink or look lasts so long)
LOOK_S = 2.0  # over which it is judged whether the iris matches (a choice)
FEWEST = 20  # pictures with a pupil that may tell
LEAST_READ = 0.2  # share of those in which the iris was read; blinks and lids leave more (a choice)
LEAST_QUALITY, LEAST_SHARE = 0.6, 0.9  # of a pupil round which the iris can be read (TorsionSettings)


class IrisReference:
    """Whether the reference of one eye's tracker still serves. Times are the host's."""

    def __init__(self) -> None:
        self.begin()

    def begin(self) -> None:
        """A new tracker: its reference is still to be taken."""
        self.taken_s = math.nan
        self._seen_s = math.nan
        self._away = False
        self._read: deque[tuple[float, bool]] = deque()

    def saw(self, time_s: float, tracked: Tracked) -> None:
        """Take what the tracker found in a picture."""
        pupil = tracked.pupil
        if not math.isfinite(pupil.x_px):
            return
        self._away |= time_s - self._seen_s > AWAY_S
        self._seen_s = time_s
        read = math.isfinite(tracked.rotation_deg)
        if read and math.isnan(self.taken_s):
            self.taken_s = time_s
        if pupil.quality >= LEAST_QUALITY and pupil.visible_share >= LEAST_SHARE:
            self._read.append((time_s, read))
        while self._read and self._read[0][0] < time_s - LOOK_S:
            self._read.popleft()

    @property
    def serves(self) -> bool:
        """Whether torsion may go on being read against it; also while there is none yet."""
        if math.isnan(self.taken_s):
            return True
        read = [one for _, one in self._read]
        return not self._away and (len(read) < FEWEST or sum(read) >= LEAST_READ * len(read))


def zero_doubt(eye: Eye, taken_s: float | None, calibrated_s: float | None) -> str:
    """Why zero torsion is not that of the calibration; empty where it is, or nobody knows.

    `taken_s` is when the reference was taken (None: in the recording itself), `calibrated_s` when the
    calibration was made that the recording was given (None: not known).
    """
    if calibrated_s is None or (taken_s is not None and taken_s <= calibrated_s):
        return ""
    return (
        f"{eye} eye: the iris is read against pictures that were taken after the calibration, so zero "
        "torsion is not that at the central target; changes of torsion count"
    )
