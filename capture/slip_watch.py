"""Slips of the goggles while they happen: as `slip.steady`, fed block by block, in memory that stays flat.

    watch = SlipWatch(calibration)
    watch.add(rows); watch.look()                     # as often as wanted; ten times a second is enough
    away_px(watch.steps, rows["time_s"], mm_per_px)   # to take off the pupil's centres

How the reflection follows the pupil is learned from all that is kept; where the goggles were at home is what
was seen first after `begin`. Until it is learned, a leap of the reflection after a turn of the eye that was
never seen before proves nothing, and is not told as a slip.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from capture.calibration import Calibration
from capture.slip import FIRST_S, Slip, SlipSettings, is_a_cornea, slip_between
from capture.slip_levels import Segment, segment, settled
from capture.slip_relation import Pairs, Relation, averages, fit_relation, good_and_both

Floats = NDArray[np.float64]
KEPT_S = 60.0  # of the newest pairs; a relation is learned in less
TAIL_S = 1.0  # of rows whose pairs may still change: a hole after them spoils those before it
LEAST_S = 4.0  # of pairs, to learn from: differences over 2 s, and as many of them
FIT_S = 1.0  # between two fits of the relation
WORTH_MM = 0.02  # 0.1 deg of a usual eye: a level known better by less changes nothing
SURE = 4.0  # standard errors of the relation that a slip must exceed


class Step(NamedTuple):
    """From when on the goggles sat where."""

    start_s: float
    away_mm: tuple[float, float]  # from home, in the plane of the picture; NaN: they move


HOME = (Step(-math.inf, (0.0, 0.0)),)


def away_px(steps: Sequence[Step], time_s: Floats, mm_per_px: float) -> Floats:
    """(n, 2) how far the goggles had slipped from home, in the picture as delivered; NaN: they moved."""
    starts = [step.start_s for step in steps]
    away_mm = np.array([step.away_mm for step in steps])
    return away_mm[np.searchsorted(starts, time_s, "right") - 1] / mm_per_px


class SlipWatch:
    """One eye. Times are those of the rows, in order. `steps` and `slips` are replaced, never changed."""

    def __init__(self, calibration: Calibration, settings: SlipSettings | None = None) -> None:
        self._mm_per_px, self._radius_mm = calibration.model.mm_per_px, calibration.model.radius_mm
        self._settings = settings or SlipSettings()
        self._rows: NDArray[np.void] | None = None  # the tail
        self._origin_s = 0.0
        self._final, self._open = np.empty((0, 6)), np.empty((0, 6))
        self._seen = self._good = 0
        self._relation: Relation | None = None
        self._fitted_s = -math.inf
        self._middle_mm: Floats | None = None
        self.begin(-math.inf)

    def begin(self, start_s: float) -> None:
        """Where the goggles sit from `start_s` on is home; what was learned of the eye stays."""
        self._home_s = self._level_s = self._checked_s = start_s
        self._home_until_s = math.inf
        self._first_s = math.inf  # of a pair at home; what was seen soon after it is kept
        self._left: Segment | None = None  # the level before the present one
        self.steps: tuple[Step, ...] = HOME
        self.slips: tuple[Slip, ...] = ()
        self.suspected = False  # reflection and pupil have begun to part

    @property
    def moving(self) -> bool:
        """Whether the goggles have left their place and have not come to rest."""
        return math.isnan(self.steps[-1].away_mm[0])

    def add(self, rows: NDArray[np.void]) -> None:
        """Take SAMPLE_DTYPE rows (n,) that follow those before."""
        if not len(rows):
            return
        if self._rows is None:
            self._origin_s = float(rows["time_s"][0])
            self._rows = rows[:0]
        relation, tail = self._settings.relation, np.concatenate([self._rows, rows])
        good, both = good_and_both(tail, relation)
        self._good += int(good[len(self._rows) :].sum())
        self._seen += int(both[len(self._rows) :].sum())
        found = averages(tail[both], self._origin_s, relation.bin_s) if both.any() else np.empty((0, 6))
        known_s = self._end_of_bin_s(self._final[-1, 0]) if len(self._final) else -math.inf
        found = found[found[:, 0] >= known_s]
        newest_s = float(tail["time_s"][-1])
        good_s = float(tail["time_s"][good][-1]) if good.any() else newest_s
        # bins that stay as they are: whole, and too far from the end for a hole to begin beside them
        until_s = self._end_of_bin_s(good_s - relation.around_gap_s - 2.0 * relation.bin_s)
        done = found[:, 0] < until_s
        self._final, self._open = np.concatenate([self._final, found[done]]), found[~done]
        self._rows = tail[tail["time_s"] >= max(until_s, newest_s - TAIL_S) - TAIL_S].copy()
        time_s = self._final[:, 0]
        if math.isinf(self._first_s) and (time_s >= self._home_s).any():
            self._first_s = float(time_s[time_s >= self._home_s][0])
        at_home = (time_s >= self._home_s) & (time_s <= self._first_s + FIRST_S)
        self._final = self._final[at_home | (time_s >= until_s - KEPT_S)]

    def look(self) -> None:
        """Follow where the goggles sit, by what was added so far."""
        found = np.concatenate([self._final, self._open])
        share = self._seen / max(self._good, 1)
        if not len(found) or found[-1, 0] < max(self._home_s, found[0, 0] + LEAST_S):
            return
        if share < self._settings.least_seen or len(found) < self._settings.relation.fewest_pairs:
            return
        pairs = self._pairs(found)
        if self._relation is None or pairs.time_s[-1] - self._fitted_s >= FIT_S:
            size_mm = float(np.median(pairs.size_mm[pairs.time_s >= self._home_s][:200]))
            self._relation = fit_relation(pairs, size_mm, self._settings.relation)
            self._fitted_s = float(pairs.time_s[-1])
        if not is_a_cornea(self._relation, self._settings):
            self.suspected = False
            return
        into_slip = np.linalg.inv(self._settings.alike * np.eye(2) - self._relation.follow)
        trace_mm = self._relation.left_over_mm(pairs) @ into_slip.T
        if not self.moving:
            self._watch_level(found, trace_mm, float(np.linalg.norm(into_slip, 2)))
        if self.moving:
            self._watch_rest(pairs.time_s, trace_mm)
        elif len(self.steps) > 1:
            self._refine(pairs.time_s, trace_mm)

    def _end_of_bin_s(self, time_s: float) -> float:
        bin_s = self._settings.relation.bin_s
        return self._origin_s + bin_s * (math.floor((time_s - self._origin_s) / bin_s) + 1)

    def _pairs(self, found: Floats) -> Pairs:
        lengths = self._mm_per_px * found[:, 1:]
        if self._middle_mm is None:
            self._middle_mm = np.median(lengths[:, :4], axis=0)
        places = lengths[:, :4] - self._middle_mm
        sizes = 2.0 * lengths[:, 4]
        return Pairs(found[:, 0], places[:, :2], places[:, 2:], sizes, sizes, 1.0, KEPT_S)

    def _watch_level(self, found: Floats, trace_mm: Floats, gain: float) -> None:
        """Whether the trace has left its level for good."""
        levels, time_s = self._settings.levels, found[:, 0]
        first = int(np.searchsorted(time_s, self._level_s))
        begin = max(first + levels.fewest + levels.lasting, int(np.searchsorted(time_s, self._checked_s)))
        self.suspected = False
        if begin > len(time_s):
            return
        unrest_mm = 1.48 * float(np.median(np.abs(np.diff(trace_mm, axis=0)))) / math.sqrt(2.0)
        limit_mm = max(levels.notice_mm, levels.noise_factor * unrest_mm)
        assert self._relation is not None
        here = self._pairs(found[first:])
        unsure_mm = np.concatenate([np.zeros(first), gain * self._relation.unsure_mm(here)])
        limits_mm = np.maximum(limit_mm, SURE * unsure_mm)
        for end in range(begin, len(time_s) + 1):
            last = slice(end - levels.lasting, end)
            middle = np.median(trace_mm[first : last.start], axis=0)
            far = np.linalg.norm(trace_mm[last] - middle, axis=1) >= limits_mm[last]
            if np.count_nonzero(far) >= levels.lasting - levels.most_back:
                self._leave(time_s, trace_mm, first, last.start + int(np.argmax(far)))
                return
            self.suspected = bool(far[-2:].all())
        self._checked_s = float(self._final[-1, 0]) if len(self._final) else self._checked_s

    def _leave(self, time_s: Floats, trace_mm: Floats, first: int, begin: int) -> None:
        self._left = segment(time_s, trace_mm, first, begin)
        if len(self.steps) == 1:
            self._home_until_s = self._left.end_s
        self._level_s = float(time_s[begin])
        self.steps = (*self.steps, Step(self._left.end_s, (math.nan, math.nan)))

    def _watch_rest(self, time_s: Floats, trace_mm: Floats) -> None:
        """Whether the trace rests again; then that is a slip."""
        begin = int(np.searchsorted(time_s, self._level_s))
        levels = self._settings.levels
        rests = settled(time_s, trace_mm, begin, levels)
        if rests is None:
            return
        assert self._left is not None
        after = segment(time_s, trace_mm, rests, len(time_s))
        self._level_s = self._checked_s = after.start_s
        self.slips = (*self.slips, slip_between(self._left, after, self._radius_mm, self._settings))
        away = after.level_mm - self._home_mm(time_s, trace_mm)
        self.steps = (*self.steps, Step(after.start_s, (float(away[0]), float(away[1]))))
        self.suspected = False

    def _refine(self, time_s: Floats, trace_mm: Floats) -> None:
        """The present level is known the better the longer it lasts."""
        level_mm = np.median(trace_mm[time_s >= self._level_s], axis=0)
        away = level_mm - self._home_mm(time_s, trace_mm)
        if np.abs(away - self.steps[-1].away_mm).max() > WORTH_MM:
            step = Step(self.steps[-1].start_s, (float(away[0]), float(away[1])))
            self.steps = (*self.steps[:-1], step)

    def _home_mm(self, time_s: Floats, trace_mm: Floats) -> Floats:
        at_home = (time_s >= self._home_s) & (time_s <= self._home_until_s)
        return np.median(trace_mm[at_home], axis=0)
