"""How an eye answers a target that jumps: when, how far, how fast; and what is no answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from analysis.phases import PhaseSettings, find_phases
from analysis.stimulus import Jump
from analysis.trace import Trace

Floats = NDArray[np.float64]
Outcome = Literal["used", "anticipation", "miss", "wrong way", "not seen"]
FULL_RATE_HZ, LEAST_RATE_HZ, LARGE_DEG = 200.0, 100.0, 15.0  # clinical reference 27.19
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

    @property
    def gain(self) -> float:
        """Amplitude of the primary saccade over the jump."""
        return self.amplitude_deg / self.jump.size_deg


def answers(
    trace: Trace, jumps: Sequence[Jump], axis: int, settings: SaccadeSettings | None = None
) -> tuple[Answer, ...]:
    """One answer a jump, in the same order; `axis` 0 horizontal, 1 vertical.

    Raises ValueError for another axis.
    """
    if axis not in (0, 1):
        raise ValueError(f"axis must be 0 or 1, got {axis}")
    settings = settings or SaccadeSettings()
    fast = find_phases(trace).fast
    fast = fast[(fast["strength"] >= PhaseSettings().sure_strength) & (fast["measured"][:, axis] > 0)]
    return tuple(_answer(trace, fast, jump, axis, settings) for jump in jumps)


def _answer(trace: Trace, fast: NDArray[np.void], jump: Jump, axis: int, settings: SaccadeSettings) -> Answer:
    along = fast["amplitude_deg"][:, axis] * np.sign(jump.size_deg)
    since_s = fast["start_s"] - jump.at_s
    large = np.abs(along) >= max(settings.least_share * abs(jump.size_deg), settings.least_deg)
    early = large & (along > 0) & (since_s >= -settings.before_s) & (since_s < settings.earliest_s)
    if early.any():
        return Answer(jump, "anticipation")
    due = np.flatnonzero(large & (since_s >= settings.earliest_s) & (since_s <= settings.latest_s))
    end_s = float(fast["end_s"][due[0]]) if due.size else jump.at_s + settings.latest_s
    if not _seen(trace, jump.at_s, end_s, settings.longest_gap_frames):
        return Answer(jump, "not seen")
    if not due.size:
        return Answer(jump, "miss")
    if along[due[0]] < 0:
        return Answer(jump, "wrong way")
    step = fast[due[0]]
    course = fit_course(trace, axis, float(step["start_s"]), end_s)
    start_s, end_s = (course.start_s, course.end_s) if course else (float(step["start_s"]), end_s)
    known = course is not None and _allows_velocity(trace.rate_hz, abs(jump.size_deg))
    return Answer(
        jump,
        "used",
        latency_s=start_s - jump.at_s,
        amplitude_deg=float(step["amplitude_deg"][axis]),
        duration_s=end_s - start_s,
        peak_velocity_dps=course.peak_dps if course and known else nan,
    )


def _seen(trace: Trace, start_s: float, end_s: float, longest_frames: float) -> bool:
    """Whether the eye was seen from start to end, but for a few frames at a time."""
    inside = (trace.time_s >= start_s) & (trace.time_s <= end_s) & trace.valid
    edges = np.r_[start_s, trace.time_s[inside], end_s]
    return bool(np.diff(edges).max() * trace.rate_hz <= longest_frames)


def _allows_velocity(rate_hz: float, jump_deg: float) -> bool:
    """Below 100/s no peak velocity, up to 200/s that of jumps of 15 deg and more."""
    return rate_hz >= SLOWER * FULL_RATE_HZ or (rate_hz >= SLOWER * LEAST_RATE_HZ and jump_deg >= LARGE_DEG)


FLANK_FRAMES, LEAST_INSIDE = 6, 4  # frames beside a movement, and within it, that its course is fitted to
LONGER = (0.5, 2.0)  # durations that are tried, of the one that is given


@dataclass(frozen=True, slots=True)
class Course:
    """A smooth course fitted to one saccade."""

    start_s: float
    end_s: float
    peak_dps: float


def fit_course(trace: Trace, axis: int, start_s: float, end_s: float) -> Course | None:
    """Start, end and peak speed of a saccade that lies about there; None with too few samples.

    Start and duration by least squares of a minimum-jerk movement (Flash & Hogan, J Neurosci 1985;5:
    1688-1703, from memory) that may be skewed; then a further term lets it be flatter or steeper, for the
    peak. A difference of neighbouring samples would read too low at few frames and too high in noise.
    """
    reach_s = FLANK_FRAMES / trace.rate_hz
    inside = (trace.time_s >= start_s - reach_s) & (trace.time_s <= end_s + reach_s) & trace.valid
    time, place = trace.time_s[inside] - start_s, trace.position_deg[inside, axis]
    lasts_s = end_s - start_s
    if np.count_nonzero((time > 0) & (time < lasts_s)) < LEAST_INSIDE:
        return None
    away_s = min(0.3 * lasts_s, reach_s)
    found = least_squares(
        lambda at: _fitted(time, place, at, 1)[1],
        (0.0, lasts_s),
        bounds=([-away_s, LONGER[0] * lasts_s], [away_s, LONGER[1] * lasts_s]),
        x_scale=lasts_s,
    ).x
    terms = _fitted(time, place, found, 2)[0][1:]
    fine = np.linspace(0.0, 1.0, 201)
    speed = np.abs(np.gradient(np.column_stack(_course(fine, 2)) @ terms, fine[1])) / found[1]
    return Course(start_s + float(found[0]), start_s + float(found.sum()), float(speed.max()))


def _fitted(time: Floats, place: Floats, at: Floats, terms: int) -> tuple[Floats, Floats]:
    """Coefficients of the course that starts and lasts as `at` says, and what it leaves over."""
    u = np.clip((time - at[0]) / at[1], 0.0, 1.0)
    columns = np.column_stack((np.ones(u.size), *_course(u, terms)))
    found = np.linalg.lstsq(columns, place, rcond=None)[0].astype(np.float64)
    return found, columns @ found - place


def _course(u: Floats, terms: int) -> list[Floats]:
    """Minimum jerk from 0 to 1, and terms that vanish smoothly at both ends."""
    bump = (u * (1 - u)) ** 3
    return [u**3 * (10 - 15 * u + 6 * u**2), bump, bump * (2 * u - 1)][: 1 + terms]
