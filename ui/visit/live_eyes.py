"""Both eyes as they are now: samples that the recorder shares, turned into degrees, beats and words.

Pulls what is new at every tick; only the newest counts, so a window that was held up never falls behind.
Beats are sought in one eye at a time, in turn: a search over the last seconds takes 3 to 6 ms (measured), so
a tick stays far from the 33 ms that it has.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from numpy.typing import NDArray

from analysis.beats import Beat, find_beats
from analysis.live import LiveNystagmus, live_nystagmus, live_signs
from analysis.live_flags import flutter_sign, level_sign
from analysis.procedure import Light
from analysis.trace import Trace, trace_of_rows
from capture.calibration import Calibration, default_calibration, degrees
from capture.profile import GoggleProfile
from capture.samples import AXES, SAMPLE_DTYPE, Eye
from recordings.shared_samples import NewestPicture, SharedReader

KEPT_ROWS = 7500  # 30 s at 250 samples/s
SEARCH_S = 12.0  # beats are sought in so many seconds: a train of slow beats has company in it
LOOK_S = 0.2  # between two searches in one eye
LOST_S = 0.5  # without a pupil: it is lost, longer than a blink (0.1 to 0.4 s: clinical 3.7)
SILENT_S = 1.0  # without a picture: the camera is lost
SPAN_S = 0.02  # a velocity is drawn over twice this
LEAST_QUALITY = 0.6  # of a pupil that counts, as in the analysis


class Rolling:
    """The newest rows of SAMPLE_DTYPE, at least `count` of them once there were so many. Memory is flat."""

    def __init__(self, count: int = KEPT_ROWS) -> None:
        self._count, self._end = count, 0
        self._rows = np.empty(2 * count, SAMPLE_DTYPE)

    def add(self, rows: NDArray[np.void]) -> None:
        """Append; what is too old goes."""
        rows = rows[-self._count :]
        if self._end + len(rows) > len(self._rows):
            kept = self._rows[self._end - self._count + len(rows) : self._end].copy()
            self._rows[: len(kept)], self._end = kept, len(kept)
        self._rows[self._end : self._end + len(rows)] = rows
        self._end += len(rows)

    @property
    def rows(self) -> NDArray[np.void]:
        """All that is kept, in order of time; a view."""
        return self._rows[: self._end]


@dataclass(slots=True)
class LiveEye:
    """One eye. Times are the host's."""

    eye: Eye
    calibration: Calibration
    kept: Rolling = field(default_factory=Rolling)
    taken: int = 0  # samples taken from the recorder so far
    placed: bool = False  # calibrated, or it is known where the pupil is straight ahead
    seen_s: float = -math.inf  # when a good pupil was seen last
    newest_s: float = -math.inf  # time of the newest sample
    picture: NewestPicture | None = None
    searched_s: float = -math.inf
    trace: Trace | None = None  # of the last search
    beats: tuple[Beat, ...] = ()
    nystagmus: LiveNystagmus = field(default_factory=LiveNystagmus)

    @property
    def picture_size_px(self) -> tuple[int, int]:
        """Width, height of the full picture."""
        return self.calibration.picture_size_px

    @property
    def proven(self) -> bool:
        """Whether its degrees and directions may be named."""
        return self.calibration.calibrated and self.calibration.direction == "proven"

    def since(self, start_s: float) -> NDArray[np.void]:
        """Rows from `start_s` on."""
        rows = self.kept.rows
        return rows[np.searchsorted(rows["time_s"], start_s) :]


def velocity_dps(rows: NDArray[np.void]) -> NDArray[np.float64]:
    """(n, 3) velocity for drawing: slope over `SPAN_S` before and after each row; NaN where a pupil lacks."""
    if len(rows) < 2:
        return np.full((len(rows), 3), np.nan)
    time = rows["time_s"]
    before = np.searchsorted(time, time - SPAN_S)
    after = np.minimum(np.searchsorted(time, time + SPAN_S), len(rows) - 1)
    span = time[after] - time[before]
    span[span <= 0] = np.nan
    return np.column_stack(
        [(rows[f"{axis}_deg"][after] - rows[f"{axis}_deg"][before]) / span for axis in AXES]
    )


class LiveEyes:
    """Both eyes of one recorder."""

    def __init__(
        self, reader: SharedReader, profile: GoggleProfile, calibrations: Mapping[Eye, Calibration]
    ) -> None:
        self._reader = reader
        sizes: dict[Eye, tuple[int, int]] = {
            eye: (width, height) for eye, width, height in reader.plan.sizes_px
        }
        self._average: dict[Eye, Callable[..., Calibration]] = {
            eye: partial(default_calibration, profile.view(eye), profile.camera(eye).geometry, size)
            for eye, size in sizes.items()
        }
        self.eyes: dict[Eye, LiveEye] = {
            eye: LiveEye(eye, average(), taken=reader.written(eye)) for eye, average in self._average.items()
        }
        self._flags: tuple[str, ...] = ()
        self.calibrate(calibrations)

    def calibrate(self, calibrations: Mapping[Eye, Calibration]) -> None:
        """Use other calibrations from now on; what is kept so far is converted anew."""
        for eye, live in self.eyes.items():
            live.calibration = calibrations.get(eye) or live.calibration
            live.placed = live.placed or eye in calibrations
            _convert(live.kept.rows, live.calibration)
            live.trace, live.beats, live.nystagmus = None, (), LiveNystagmus()

    def tick(self, now_s: float) -> None:
        """Take what is new; look for beats in the eye whose turn it is."""
        for live in self.eyes.values():
            self._take(live)
        turn = min(self.eyes.values(), key=lambda live: live.searched_s)
        if now_s - turn.searched_s >= LOOK_S:
            _search(turn, now_s)
            self._flags = self._find_flags()

    def running(self) -> bool:
        """Whether nystagmus goes on in either eye now."""
        return any(live.nystagmus.running for live in self.eyes.values())

    def signs(self, light: Light, *, in_position: bool) -> tuple[str, ...]:
        """Red flags that the eyes show now, in words."""
        proven: dict[Eye, LiveNystagmus] = {
            eye: live.nystagmus for eye, live in self.eyes.items() if live.proven
        }
        return (*live_signs(proven, light, in_position=in_position), *self._flags)

    def _find_flags(self) -> tuple[str, ...]:
        traces: dict[Eye, Trace] = {
            eye: live.trace for eye, live in self.eyes.items() if live.proven and live.trace is not None
        }
        newest_s = max((live.newest_s for live in self.eyes.values()), default=-math.inf)
        return tuple(text for text in (flutter_sign(traces, newest_s), level_sign(traces, newest_s)) if text)

    def trouble(self, eye: Eye, now_s: float) -> str:
        """Why an eye is not seen now, in two words; empty when it is."""
        live = self.eyes.get(eye)
        if live is None or live.picture is None or now_s - live.picture.time_s > SILENT_S:
            return "no picture"
        return "pupil lost" if live.newest_s - live.seen_s > LOST_S else ""

    def _take(self, live: LiveEye) -> None:
        live.picture = self._reader.picture(live.eye) or live.picture
        rows, live.taken = self._reader.samples(live.eye, live.taken)
        if not len(rows):
            return
        if not live.placed:
            self._straight_ahead(live, rows)
        _convert(rows, live.calibration)
        live.kept.add(rows)
        live.newest_s = float(rows["time_s"][-1])
        good = np.flatnonzero(rows["pupil_quality"] >= LEAST_QUALITY)
        if len(good):
            live.seen_s = float(rows["time_s"][good[-1]])

    def _straight_ahead(self, live: LiveEye, rows: NDArray[np.void]) -> None:
        """Without a calibration, the first place of the pupil counts as straight ahead."""
        good = rows[rows["pupil_quality"] >= LEAST_QUALITY]
        if len(good):
            place = float(np.median(good["x_px"])), float(np.median(good["y_px"]))
            live.calibration = self._average[live.eye](straight_ahead_px=place)
            live.placed = True


def _convert(rows: NDArray[np.void], calibration: Calibration) -> None:
    """Fill in the degrees, in place."""
    found = degrees(calibration, rows["x_px"], rows["y_px"], rows["rotation_deg"])
    for axis, column in zip(AXES, found.T, strict=True):
        rows[f"{axis}_deg"] = column


def _search(live: LiveEye, now_s: float) -> None:
    live.searched_s = now_s
    rows = live.since(live.newest_s - SEARCH_S)
    if len(rows) < 10:
        return
    live.trace = trace_of_rows(live.eye, rows, live.calibration)
    live.beats = find_beats(live.trace)
    live.nystagmus = live_nystagmus(live.beats, live.newest_s)
