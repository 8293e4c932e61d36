"""How an eye answers a target that jumps: when, how far, how fast; and what is no answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis.phases import PhaseSettings, find_phases
from analysis.saccade_course import Course, courses, moved
from analysis.slow_saccades import Stroke, is_slow, stroke_toward
from analysis.stimulus import Jump
from analysis.trace import Trace

Floats = NDArray[np.float64]
Outcome = Literal["used", "anticipation", "miss", "wrong way", "not seen"]
FULL_RATE_HZ, LEAST_RATE_HZ, LARGE_DEG = 200.0, 100.0, 15.0  # clinical reference 27.19
CORRECTED_DEG = 0.5  # smaller saccades are those of fixation (clinical reference 1.7)
SLOWER = 0.98  # share of these rates that a camera may fall short of (design choice)


@dataclass(frozen=True, slots=True)
class SaccadeSettings:
    """When a movement answers a jump. Clinical reference 9 unless marked as a design choice."""

    earliest_s: float = 0.08  # before: anticipation (dead time of 80 to 100 ms)
    latest_s: float = 0.5  # later: a miss
    before_s: float = 0.2  # before the jump, in which a movement its way is an anticipation (design choice)
    least_share: float = 0.2  # of the jump that a movement must cover to answer it (design choice) ...
    least_deg: float = 0.8  # ... and at least this, beyond fixation saccades (design choice)
    longest_gap_frames: float = 2.5  # without the eye from the jump to the end of the saccade (design choice)


@dataclass(frozen=True, slots=True)
class Answer:
    """What followed one jump on its axis. Numbers are NaN unless `outcome` is "used"."""

    jump: Jump
    outcome: Outcome
    latency_s: float = nan
    amplitude_deg: float = nan  # of the primary saccade, signed
    duration_s: float = nan
    peak_velocity_dps: float = nan  # size; NaN also where the frames are too far apart for it
    peak_error: float = nan  # its standard error by noise, as a share
    skewness: float = nan  # time to the peak over the duration; NaN as well
    corrections_deg: tuple[float, ...] = ()  # signed sizes of the saccades after it, until the next jump

    @property
    def gain(self) -> float:
        """Amplitude of the primary saccade over the jump."""
        return self.amplitude_deg / self.jump.size_deg

    @property
    def final_gain(self) -> float:
        """The same with its corrective saccades."""
        return (self.amplitude_deg + sum(self.corrections_deg)) / self.jump.size_deg

    @property
    def peak_to_mean(self) -> float:
        """Peak velocity over the mean velocity."""
        return self.peak_velocity_dps * self.duration_s / abs(self.amplitude_deg)


def answers(
    trace: Trace, jumps: Sequence[Jump], axis: int, settings: SaccadeSettings | None = None
) -> tuple[Answer, ...]:
    """One answer a jump, in the same order; `axis` 0 horizontal, 1 vertical.

    Raises ValueError for another axis.
    """
    if axis not in (0, 1):
        raise ValueError(f"axis must be 0 or 1, got {axis}")
    settings = settings or SaccadeSettings()
    phases = find_phases(trace)
    fast = phases.fast
    fast = fast[(fast["strength"] >= PhaseSettings().sure_strength) & (fast["measured"][:, axis] > 0)]
    told = [_outcome(trace, fast, jump, axis, settings) for jump in jumps]
    shaped: dict[Stroke, Course] = {}
    for sign in (1, -1):  # an eye that is slow to one side has another course there
        mine = [one for jump, (_, one) in zip(jumps, told, strict=True) if one and jump.size_deg * sign > 0]
        shaped |= _shaped(trace, mine, axis, phases.noise_deg[axis])
    return tuple(
        _answer(trace, fast, one, shaped.get(one), jump, axis) if one else Answer(jump, outcome)
        for jump, (outcome, one) in zip(jumps, told, strict=True)
    )


def _outcome(
    trace: Trace, fast: NDArray[np.void], jump: Jump, axis: int, settings: SaccadeSettings
) -> tuple[Outcome, Stroke | None]:
    """What answered the jump, and the primary saccade where one did."""
    along = fast["amplitude_deg"][:, axis] * np.sign(jump.size_deg)
    since_s = fast["start_s"] - jump.at_s
    large = np.abs(along) >= max(settings.least_share * abs(jump.size_deg), settings.least_deg)
    early = large & (along > 0) & (since_s >= -settings.before_s) & (since_s < settings.earliest_s)
    if early.any():
        return "anticipation", None
    due = np.flatnonzero(large & (since_s >= settings.earliest_s) & (since_s <= settings.latest_s))
    slow = _slow(trace, fast[due], jump, axis, settings)
    first = slow or next((_stroke(step, axis) for step in fast[due]), None)
    end_s = first.end_s if first else jump.at_s + settings.latest_s
    if not _seen(trace, jump.at_s, end_s, settings.longest_gap_frames):
        return "not seen", None
    if first is None:
        return "miss", None
    return ("used", first) if first.size_deg * jump.size_deg > 0 else ("wrong way", None)


def _slow(
    trace: Trace, due: NDArray[np.void], jump: Jump, axis: int, settings: SaccadeSettings
) -> Stroke | None:
    """A primary saccade that is too slow to be among the fast movements, or is seen there in part only."""
    found = stroke_toward(
        trace, axis, float(np.sign(jump.size_deg)), jump.at_s + settings.earliest_s, jump.until_s
    )
    if found is None or found.start_s > jump.at_s + settings.latest_s:
        return None
    if abs(found.size_deg) < max(settings.least_share * abs(jump.size_deg), settings.least_deg):
        return None
    if due.size and not is_slow(found):
        return None
    within = (due["end_s"] > found.start_s) & (due["start_s"] < found.end_s)
    return found if within.all() and due.size <= 1 else None  # two fast ones follow each other closely


def _stroke(step: np.void, axis: int) -> Stroke:
    return Stroke(float(step["start_s"]), float(step["end_s"]), float(step["amplitude_deg"][axis]))


def _shaped(trace: Trace, strokes: Sequence[Stroke], axis: int, noise_deg: float) -> dict[Stroke, Course]:
    """The course of these movements, where there are frames enough for one."""
    pieces = {one: piece for one in strokes if (piece := moved(trace, axis, *one))}
    return dict(zip(pieces, courses(list(pieces.values()), float(noise_deg)), strict=True))


def _answer(
    trace: Trace, fast: NDArray[np.void], primary: Stroke, course: Course | None, jump: Jump, axis: int
) -> Answer:
    start_s, end_s = (course.start_s, course.end_s) if course else primary[:2]
    known = course is not None and _allows_velocity(trace.rate_hz, abs(jump.size_deg))
    later = fast[(fast["start_s"] > primary.start_s) & (fast["end_s"] > primary.end_s)]
    sizes = later["amplitude_deg"][later["start_s"] < jump.until_s, axis]
    return Answer(
        jump,
        "used",
        latency_s=start_s - jump.at_s,
        amplitude_deg=primary.size_deg,
        duration_s=end_s - start_s,
        peak_velocity_dps=course.peak_dps if course and known else nan,
        peak_error=course.peak_error if course and known else nan,
        skewness=(course.peak_s - start_s) / (end_s - start_s) if course and known else nan,
        corrections_deg=tuple(sizes[np.abs(sizes) >= CORRECTED_DEG].tolist()),
    )


def _seen(trace: Trace, start_s: float, end_s: float, longest_frames: float) -> bool:
    """Whether the eye was seen from start to end, but for a few frames at a time."""
    inside = (trace.time_s >= start_s) & (trace.time_s <= end_s) & trace.valid
    edges = np.r_[start_s, trace.time_s[inside], end_s]
    return bool(np.diff(edges).max() * trace.rate_hz <= longest_frames)


def _allows_velocity(rate_hz: float, jump_deg: float) -> bool:
    """Below 100/s no peak velocity, up to 200/s that of jumps of 15 deg and more."""
    return rate_hz >= SLOWER * FULL_RATE_HZ or (rate_hz >= SLOWER * LEAST_RATE_HZ and jump_deg >= LARGE_DEG)
