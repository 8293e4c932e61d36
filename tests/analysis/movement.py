"""Eye movements with known truth, as traces: nystagmus, steady gaze, square-wave jerks, blinks.

Made for these tests alone. Saccades and quick phases last as long as V = 551 (1 - exp(-A / 14)) deg/s demands
of a minimum-jerk movement (Baloh 1975, from memory). All randomness comes from the generator handed in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import lfilter

from analysis.beats import Beat
from analysis.trace import Trace, trace_from_arrays

FINE_HZ = 2000.0
SACCADE_S, PAUSE_S = 0.05, 0.1  # of a small one, and the least from its end to the next (common practice)


@dataclass(frozen=True)
class TrueBeat:
    """One beat as it was made; the velocity is the slope of the noise-free slow phase, wandering included."""

    slow_start_s: float
    quick_start_s: float
    quick_end_s: float
    velocity_dps: NDArray[np.float64]  # (3,)
    amplitude_deg: NDArray[np.float64]  # (3,)


@dataclass(frozen=True)
class Movement:
    """A movement on a fine grid, its beats, and when the lid was down."""

    time_s: NDArray[np.float64]
    position_deg: NDArray[np.float64]  # (n, 3)
    beats: tuple[TrueBeat, ...]
    blinks_s: NDArray[np.float64]  # (k, 2) pupil hidden

    def trace(
        self,
        rate_hz: float = 250.0,
        noise_deg: ArrayLike = 0.0,
        rng: np.random.Generator | None = None,
        jitter_s: float = 0.0,
        lost_share: float = 0.0,
    ) -> Trace:
        """What a camera would see: frames at true, uneven times, some lost, noise, blinks cut out."""
        rng = rng or np.random.default_rng(0)
        time = np.arange(0.01, self.time_s[-1] - 0.01, 1 / rate_hz)
        time = np.sort(time + rng.uniform(-jitter_s, jitter_s, time.size))
        time = time[rng.uniform(size=time.size) >= lost_share]
        position = np.column_stack([np.interp(time, self.time_s, x) for x in self.position_deg.T])
        position += rng.normal(size=position.shape) * noise_deg
        cut = self.blinks_s + np.array([-0.05, 0.1])
        return trace_from_arrays("right", time, position, blinks_s=cut)


def duration_s(amplitude_deg: float) -> float:
    """Of a minimum-jerk movement whose peak, 1.875 A / D, is on the main sequence."""
    size = max(abs(amplitude_deg), 1e-6)
    return 1.875 * size / (551.0 * (1.0 - np.exp(-size / 14.0)))


def smooth(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Minimum-jerk progress, 0 to 1."""
    u = np.clip(share, 0.0, 1.0)
    return u**3 * (10.0 - 15.0 * u + 6.0 * u**2)


def nystagmus(
    velocity_dps: ArrayLike | Callable[[float], ArrayLike],
    seconds: float,
    rng: np.random.Generator,
    beats_per_s: float = 2.0,
    wander_deg: float = 0.0,
    blinks_s: ArrayLike = (),
    spread: float = 0.25,
) -> Movement:
    """Drift with (signed, 3 axes) `velocity_dps`, a constant or a function of time, and quick phases back.

    Slow phases last 1 / `beats_per_s` give or take a quarter; quick phases end near the middle.
    """
    speed = velocity_dps if callable(velocity_dps) else lambda _: velocity_dps
    time = np.arange(0.0, seconds, 1 / FINE_HZ)
    position = np.zeros((time.size, 3))
    marks: list[tuple[int, int, int, NDArray[np.float64]]] = []
    here, k = np.zeros(3), 0
    while k < time.size:
        v = np.asarray(speed(time[k]), dtype=float)
        slow = max(int(rng.normal(1.0, spread) / beats_per_s * FINE_HZ), int(0.09 * FINE_HZ))
        t = np.arange(1, slow + 1) / FINE_HZ
        part = position[k : k + slow]
        part[:] = (here + np.outer(t, v))[: len(part)]
        there = here + v * slow / FINE_HZ
        back = -v / beats_per_s * rng.normal(0.4, 0.6 * spread) - there
        back = -v * max(np.dot(back, -v) / max(np.dot(v, v), 1e-12), 0.25 * slow / FINE_HZ)
        quick = round(duration_s(float(np.linalg.norm(back))) * FINE_HZ)
        part = position[k + slow : k + slow + quick]
        part[:] = (there + np.outer(smooth(np.arange(1, quick + 1) / quick), back))[: len(part)]
        if k + slow + quick < time.size:
            marks.append((k, k + slow, k + slow + quick, back))
        here, k = there + back, k + slow + quick
    position += _wander(time, rng, wander_deg)
    closed = np.asarray(blinks_s, dtype=float).reshape(-1, 2)
    position += _blink_shift(time, closed)
    return Movement(time, position, tuple(_true_beat(time, position, *mark) for mark in marks), closed)


def sawtooth(velocity_dps: ArrayLike, slow_s: float = 0.4, count: int = 12, rest_s: float = 1.0) -> Movement:
    """`rest_s` of rest, then equal beats that take back exactly what the drift did, then rest."""
    v = np.asarray(velocity_dps, dtype=float)
    quick_s = duration_s(float(np.linalg.norm(v)) * slow_s)
    time = np.arange(0, 2 * rest_s + count * (slow_s + quick_s), 1 / 2000)
    since = time - rest_s
    phase = np.where((since >= 0) & (since < count * (slow_s + quick_s)), since % (slow_s + quick_s), 0.0)
    height = np.minimum(phase, slow_s) - slow_s * smooth((phase - slow_s) / quick_s)
    return Movement(time, np.outer(height, v), (), np.empty((0, 2)))


def steady_gaze(seconds: float, rng: np.random.Generator, jerks_per_min: float = 3.0) -> Movement:
    """Healthy fixation: slow zero-mean drift, fixation saccades, square-wave jerks, 15 blinks a minute.

    Drift of about 0.3 deg/s (SD) that changes within half a second, fixation saccades of 0.1 to 1 deg about
    1.2 a second that mostly bring the eye back, square-wave jerks of 0.5 to 2 deg held for 0.2 s
    (orders of magnitude from Martinez-Conde et al., Nat Rev Neurosci 2004;5:229-240, from memory). One
    generator makes the large and the small ones (Otero-Millan et al., J Vis 2008;8(14):21), so no saccade
    begins while another lasts or within a jerk, nor sooner than `PAUSE_S` after the one before.
    """
    time = np.arange(0.0, seconds, 1 / FINE_HZ)
    keep = np.exp(-1 / FINE_HZ / 0.4)
    kicks = rng.normal(size=(time.size, 3)) * 0.3 * np.sqrt(1 - keep**2)
    drift = np.cumsum(lfilter([1.0], [1.0, -keep], kicks, axis=0), axis=0) / FINE_HZ
    moves, off = np.zeros_like(drift), np.zeros(3)
    jerks, apart_s = _jerk_times(seconds, rng, jerks_per_min), SACCADE_S + PAUSE_S
    for start in np.cumsum(np.maximum(rng.gamma(3.0, 1.0 / 3.0 / 1.2, int(seconds * 3)), apart_s)):
        k = int(start * FINE_HZ)
        if k >= time.size:
            break
        if not np.any((jerks[:, 0] - apart_s < start) & (start < jerks[:, 1] + apart_s)):
            size = -(drift[k] + off) * rng.uniform(0.0, 1.2) + rng.normal(size=3) * [0.2, 0.12, 0.02]
            off = off + size
            _jump(moves, k, size)
    for start, back in jerks:
        size = np.array([rng.choice([-1.0, 1.0]) * rng.uniform(0.5, 2.0), rng.normal() * 0.05, 0.0])
        _jump(moves, int(start * FINE_HZ), size)
        _jump(moves, int(back * FINE_HZ), -size)
    position = drift + np.cumsum(moves, axis=0)
    closed = np.sort(rng.uniform(1.0, seconds - 1.0, max(1, int(seconds / 4))))
    closed = closed[np.r_[True, np.diff(closed) > 1.0]]
    blinks = np.column_stack((closed, closed + rng.uniform(0.1, 0.25, closed.size)))
    return Movement(time, position + _blink_shift(time, blinks), (), blinks)


def _jerk_times(seconds: float, rng: np.random.Generator, per_min: float) -> NDArray[np.float64]:
    """When jerks go off and back (k, 2): at random, but none before the one before is over."""
    usual_s = 0.2 + SACCADE_S + PAUSE_S
    gaps_s = usual_s + rng.exponential(60 / per_min - usual_s, int(seconds / usual_s))
    off = 0.5 + np.cumsum(gaps_s) - usual_s
    off = off[off < seconds - 1.0]
    return np.column_stack((off, off + rng.normal(0.2, 0.03, off.size)))


def _jump(moves: NDArray[np.float64], k: int, size: NDArray[np.float64]) -> None:
    """Add the steps from sample to sample of a saccade of `size` that starts at sample `k`."""
    quick = max(round(duration_s(float(np.linalg.norm(size))) * FINE_HZ), 1)
    steps = np.diff(smooth(np.arange(quick + 1) / quick))[:, None] * size
    moves[k : k + quick] += steps[: len(moves) - k]


def _wander(time: NDArray[np.float64], rng: np.random.Generator, size_deg: float) -> NDArray[np.float64]:
    """Zero-mean slow drift of the whole eye: three sines of 0.05 to 0.4 Hz on each axis."""
    total = np.zeros((time.size, 3))
    for _ in range(3):
        rate, phase = rng.uniform(0.05, 0.4, 3), rng.uniform(0, 2 * np.pi, 3)
        total += size_deg * np.sin(2 * np.pi * np.outer(time, rate) + phase) / np.sqrt(1.5)
    return total


def _blink_shift(time: NDArray[np.float64], closed: NDArray[np.float64]) -> NDArray[np.float64]:
    """The eye's own movement in a blink: down and aside by 1 to 2 deg and back, longer than the lid's."""
    total = np.zeros((time.size, 3))
    for start, end in closed:
        share = (time - start + 0.04) / (end - start + 0.1)
        inside = (share > 0) & (share < 1)
        total[inside] += np.outer(np.sin(np.pi * share[inside]) ** 2, [-0.6, -1.8, 0.3])
    return total


def _true_beat(
    time: NDArray[np.float64],
    position: NDArray[np.float64],
    start: int,
    quick: int,
    end: int,
    back: NDArray[np.float64],
) -> TrueBeat:
    slope = np.polyfit(time[start:quick] - time[start], position[start:quick], 1)[0]
    return TrueBeat(float(time[start]), float(time[quick]), float(time[end]), slope, back)


def free_of_blinks(movement: Movement, beat: TrueBeat) -> bool:
    """Whether all of a beat can be seen."""
    return not any(
        beat.slow_start_s < end + 0.1 and beat.quick_end_s > start - 0.05 for start, end in movement.blinks_s
    )


def matches(
    movement: Movement, beats: tuple[Beat, ...], rate_hz: float, axis: int
) -> tuple[list[tuple[TrueBeat, Beat]], list[TrueBeat], list[Beat]]:
    """Pairs, true beats missed, and false beats: accepted, right sign on `axis`, quick start within 30 ms.

    At low rates within 1.5 frames. Beats that a blink touches are no misses, and finding them is no fault.
    """
    reach = max(0.03, 1.5 / rate_hz)
    left = [beat for beat in beats if beat.accepted]
    pairs, missed = [], []
    for true in movement.beats:
        near = [
            beat
            for beat in left
            if abs(beat.quick_start_s - true.quick_start_s) <= reach
            and beat.amplitude_deg[axis] * true.amplitude_deg[axis] > 0
        ]
        if near:
            best = min(near, key=lambda beat: abs(beat.quick_start_s - true.quick_start_s))
            left.remove(best)
            if free_of_blinks(movement, true):
                pairs.append((true, best))
        elif free_of_blinks(movement, true):
            missed.append(true)
    return pairs, missed, left
