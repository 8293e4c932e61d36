"""Levels of a trace that stays where it is until something moves it: where each begins and ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LevelSettings:
    """When a level has changed. From the bar that a slip of 0.5 mm is noticed within 0.5 s."""

    notice_mm: float = 0.25  # farther from the level than this: 1.4 deg of a usual eye
    noise_factor: float = 6.0  # and this far beyond the trace's own unrest
    lasting: int = 5  # of the last so many moments ...
    most_back: int = 1  # ... all but this many
    settle_s: float = 1.0  # a slip takes no longer
    settled_mm: float = 0.08  # moments this much alike: it has settled
    fewest: int = 10  # moments that make a level


class Segment(NamedTuple):
    """A stretch of the trace with one level."""

    first: int
    stop: int  # one past the last
    start_s: float
    end_s: float
    level_mm: Floats  # (2,)
    error_mm: float


def find_segments(time_s: Floats, trace_mm: Floats, settings: LevelSettings) -> list[Segment]:
    """Cut the trace (m, 2) where its level changes for good; in order of time, at least one.

    Cause follows effect by `lasting` moments only: what is found up to a moment stays when more follows.
    """
    unrest_mm = 1.48 * np.median(np.abs(np.diff(trace_mm, axis=0))) / np.sqrt(2.0) if len(time_s) > 2 else 0.0
    limit_mm = max(settings.notice_mm, settings.noise_factor * float(unrest_mm))
    segments: list[Segment] = []
    first = 0
    while True:
        begin = _change(trace_mm, first, limit_mm, settings)
        segments.append(segment(time_s, trace_mm, first, begin))
        if begin == len(time_s):
            return segments
        rests = settled(time_s, trace_mm, begin, settings)
        first = max(begin, len(time_s) - settings.lasting) if rests is None else rests


def _change(trace_mm: Floats, first: int, limit_mm: float, settings: LevelSettings) -> int:
    """Where the trace has left the level that began at `first`; the end when it never does."""
    level, known = trace_mm[first : first + settings.fewest], first + settings.fewest
    middle = np.median(level, axis=0)
    for k in range(known, len(trace_mm)):
        if (k - known) % 10 == 0:  # the level is known the better the longer it lasts
            middle = np.median(trace_mm[first : k - settings.lasting + 1], axis=0) if k > known else middle
        if np.hypot(*(trace_mm[k] - middle)) < limit_mm:
            continue
        last = np.linalg.norm(trace_mm[k - settings.lasting + 1 : k + 1] - middle, axis=1) >= limit_mm
        if np.count_nonzero(last) >= settings.lasting - settings.most_back:
            return k - settings.lasting + 1 + int(np.argmax(last))
    return len(trace_mm)


def settled(time_s: Floats, trace_mm: Floats, begin: int, settings: LevelSettings) -> int | None:
    """Where the trace rests again after a change that began at `begin`; None where it does not yet."""
    for k in range(begin, len(time_s) - settings.lasting):
        near = trace_mm[k : k + settings.lasting]
        if time_s[k] - time_s[begin] > settings.settle_s:
            return k
        if np.linalg.norm(near - np.median(near, axis=0), axis=1).max() < settings.settled_mm:
            return k
    return None


def segment(time_s: Floats, trace_mm: Floats, first: int, stop: int) -> Segment:
    """The level of the trace (m, 2) from `first` to before `stop`."""
    part = trace_mm[first:stop]
    level = np.median(part, axis=0)
    spread_mm = 1.48 * float(np.median(np.abs(part - level)))
    return Segment(first, stop, float(time_s[first]), float(time_s[stop - 1]), level, spread_mm)
