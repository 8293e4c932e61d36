"""Times of the frames of a video file, and the frames that are missing between them."""

from __future__ import annotations

import csv
import gzip
import math
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capture.errors import SourceError

COLUMNS = ("video_frame", "host_time_s")
PLAUSIBLE_HZ = (1.0, 2000.0)  # a header that says anything else says nothing
# Between wrong headers (slow motion: 500 Hz stored as 25) and wrong units (minutes 60, milliseconds 1000).
UNIT_FACTOR = 30.0


@dataclass(frozen=True, slots=True)
class GapSettings:
    """When a wait between two frames means that frames were lost."""

    longest_interval: float = 1.5  # in median intervals; clinical.md 3.6: a gap above 1.5 frames is a loss
    late_frames: int = 4  # as many frames after a wait may catch up: then it was a late arrival, not a loss


@dataclass(frozen=True, slots=True)
class FrameTimes:
    """The host's time of each frame of a video, as a recorder wrote them down."""

    path: Path
    time_of: dict[int, float]  # host time of each frame number, both in file order; times never fall

    @property
    def last_frame(self) -> int:
        """Number of the last frame."""
        return next(reversed(self.time_of))

    @property
    def interval_s(self) -> float:
        """The usual time from one frame to the next (median); NaN for a single frame."""
        if len(self.time_of) < 2:
            return math.nan
        number, time_s = np.array(list(self.time_of.items()), np.float64).T
        return float(np.median(np.diff(time_s) / np.diff(number)))

    @property
    def span_s(self) -> tuple[float, float]:
        """Time of the first and the last frame."""
        return next(iter(self.time_of.values())), next(reversed(self.time_of.values()))

    def check_unit(self, header_rate_hz: float) -> None:
        """Raise SourceError where these cannot be seconds, by the rate that the video's header says.

        A header may be wrong; only a factor that no wrong header explains is a wrong unit.
        """
        if not PLAUSIBLE_HZ[0] <= header_rate_hz <= PLAUSIBLE_HZ[1]:
            return
        factor = self.interval_s * header_rate_hz
        if factor > UNIT_FACTOR or factor < 1 / UNIT_FACTOR:
            raise SourceError(
                f"The frame times {self.path} lie {self.interval_s:g} apart, but the video has "
                f"{header_rate_hz:g} frames/s: seconds expected, not milliseconds or microseconds. "
                "Nothing was recorded. Write host_time_s in seconds."
            )


def read_frame_times(path: Path) -> FrameTimes:
    """Read a CSV (plain or .gz) with the columns `video_frame,host_time_s`, one row a frame of the video.

    Raises SourceError naming the file and the line that is wrong.
    """
    try:
        with (
            gzip.open(path, "rt", encoding="utf-8-sig")
            if path.suffix == ".gz"
            else path.open(encoding="utf-8-sig") as f
        ):
            return _parse(path, f)
    except OSError as error:
        raise SourceError(
            f"The frame times {path} cannot be read ({error.strerror or error}). Nothing was recorded."
        ) from error
    except (UnicodeDecodeError, EOFError, zlib.error, csv.Error) as error:
        raise SourceError(
            f"The frame times {path} are damaged or not text ({error}). Nothing was recorded."
        ) from error


def _parse(path: Path, lines: Iterable[str]) -> FrameTimes:
    rows = csv.reader(lines)
    header = [name.strip() for name in next(rows, [])]
    if any(name not in header for name in COLUMNS):
        raise SourceError(
            f"The frame times {path} need the columns {', '.join(COLUMNS)} in their first line. "
            "Nothing was recorded."
        )
    at = [header.index(name) for name in COLUMNS]
    time_of: dict[int, float] = {}
    last = (-1, -math.inf)
    for row in rows:
        if not row:
            continue
        frame, time_s = _numbers(path, rows.line_num, row, at)
        _check_order(path, rows.line_num, last, (frame, time_s))
        time_of[frame] = time_s
        last = (frame, time_s)
    if not time_of:
        raise SourceError(f"The frame times {path} hold no rows. Nothing was recorded.")
    times = FrameTimes(path, time_of)
    if times.interval_s <= 0:
        raise SourceError(
            f"The frame times {path} give most frames the same time as the one before. Nothing was recorded. "
            "Give each frame its own time in seconds, with all the decimals that the recorder wrote."
        )
    return times


def _numbers(path: Path, line: int, row: list[str], at: list[int]) -> tuple[int, float]:
    try:
        frame, time_s = int(row[at[0]]), float(row[at[1]])
    except (ValueError, IndexError):
        raise SourceError(
            f"Line {line} of the frame times {path} is not a frame number and a time. Nothing was recorded."
        ) from None
    if frame < 0 or not math.isfinite(time_s):
        raise SourceError(
            f"Line {line} of the frame times {path} has no usable number ({frame}, {time_s}). "
            "Nothing was recorded."
        )
    return frame, time_s


def _check_order(path: Path, line: int, last: tuple[int, float], now: tuple[int, float]) -> None:
    if now[0] <= last[0]:
        how = "repeats" if now[0] == last[0] else "goes back behind"
        raise SourceError(
            f"Line {line} of the frame times {path} {how} frame {last[0]}. Nothing was recorded."
        )
    if now[1] < last[1]:  # equal is possible: two frames that were held up arrive together
        raise SourceError(
            f"Line {line} of the frame times {path} goes back in time ({last[1]} to {now[1]} s). "
            "Nothing was recorded."
        )


def lost_before(
    number: NDArray[np.int64], time_s: NDArray[np.float64], settings: GapSettings = GapSettings()
) -> NDArray[np.int64]:
    """How many frames are missing before each frame, (n,) int; 0 before the first.

    `number` (n,) counts frames, `time_s` (n,) is when they arrived. A jump of the number counts as it is. A
    wait longer than `longest_interval` medians counts only as far as the frames after it do not catch up:
    frames that a busy computer delivered late, in a bunch, were not lost.
    """
    lost = np.maximum(np.diff(number, prepend=number[:1]) - (np.arange(len(number)) > 0), 0)
    if len(time_s) < 3:
        return lost
    interval_s = np.diff(time_s)
    usual_s = float(np.median(interval_s))
    if usual_s <= 0:
        return lost
    # Over all frames at once: the median's own error, times the frames that may catch up, would hide a loss.
    usual_s = float(time_s[-1] - time_s[0]) / max(float(np.round(interval_s / usual_s).sum()), 1.0)
    waits = np.flatnonzero(interval_s > settings.longest_interval * usual_s) + 1
    start = 0
    for i in waits.tolist():
        missing = _missing(time_s, start, i, usual_s, settings.late_frames)
        lost[i] = max(lost[i], missing)
        start = i
    return lost


def _missing(time_s: NDArray[np.float64], start: int, i: int, usual_s: float, late_frames: int) -> int:
    """Frames missing between i - 1 and i, from the frames around them that were delayed least."""
    before = time_s[max(start, i - 1 - late_frames) : i]
    after = time_s[i : i + 1 + late_frames]
    due_before = before + usual_s * np.arange(len(before) - 1, -1, -1)
    due_after = after - usual_s * np.arange(len(after))
    return max(round(float(due_after.min() - due_before.min()) / usual_s) - 1, 0)
