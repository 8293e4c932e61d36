"""Nystagmus in one window of time, measured from its labelled beats, one axis at a time.

Named by the quick phase, measured by the slow phase (Eggers et al., J Vestib Res 2019;29:57-87): a
right-beating nystagmus has a negative horizontal slow-phase velocity.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.beats import DIRECTIONS, Beat
from analysis.estimate import are_numbers, must_be_finite
from analysis.median_error import median_error
from analysis.trace import Trace
from capture.samples import AXES

BEAT_NAMES = {
    "right": "right-beating",
    "left": "left-beating",
    "up": "up-beating",
    "down": "down-beating",
    "upper_pole_right": "upper pole beating toward the patient's right ear",
    "upper_pole_left": "upper pole beating toward the patient's left ear",
}
# Correlation of neighbouring slopes of a resting eye, at least: what wandered off comes back (design choice).
OPPOSED = -0.2
NORMAL_SD_PER_MAD = 1.4826  # standard deviation of a normal distribution / its median absolute deviation


@dataclass(frozen=True, slots=True)
class Middle:
    """A median with its spread and uncertainty."""

    median: float
    quartiles: tuple[float, float]
    standard_error: float
    interval: tuple[float, float]  # 95 %
    count: int


def direction(axis: str, slow_phase_velocity_dps: float) -> str:
    """Word for the quick phase that answers a signed slow-phase velocity; "" for 0 or NaN.

    >>> direction("horizontal", -8.0)
    'right'
    """
    negative, positive = DIRECTIONS[axis]
    if slow_phase_velocity_dps < 0:
        return positive
    return negative if slow_phase_velocity_dps > 0 else ""


def sure_direction(axis: str, velocity_dps: tuple[float, float] | None) -> str:
    """Word for the quick phase where a 95 % interval of the slow phase goes one way; "" where it holds 0.

    >>> sure_direction("horizontal", (-9.0, -7.0)), sure_direction("horizontal", (-9.0, 1.0))
    ('right', '')
    """
    ways = {direction(axis, end) for end in velocity_dps or ()}
    return ways.pop() if len(ways) == 1 else ""


def middle(
    values: NDArray[np.float64], standard_errors: NDArray[np.float64], least_correlation: float = 0.0
) -> Middle:
    """Median of beats in order of time (n,), with quartiles, standard error and 95 % interval.

    Standard error and interval are those of `median_error`: the calibration's error is not in them.

    Raises ValueError for fewer than two values or a value that is not finite.
    """
    count = len(values)
    if count < 2 or not are_numbers(values):
        raise ValueError(f"values must be at least two finite numbers, got {count}")
    median = float(np.median(values))
    error, reach = median_error(values, standard_errors, least_correlation)
    low, high = np.percentile(values, [25, 75])
    return Middle(median, (float(low), float(high)), error, (median - reach, median + reach), count)


def run_signs(beats: Sequence[Beat], axis: int, beats_wanted: int, within_s: float) -> set[int]:
    """Sides (+1, -1) to which `beats_wanted` consecutive beats go on `axis` (0, 1, 2) within `within_s`."""
    signs = [axis_sign(beat, axis) for beat in beats]
    found = set()
    for first in range(len(beats) - beats_wanted + 1):
        last = first + beats_wanted - 1
        together = beats[last].quick_end_s - beats[first].slow_start_s <= within_s
        if together and abs(sum(signs[first : last + 1])) == beats_wanted:
            found.add(signs[first])
    return found


def axis_sign(beat: Beat, axis: int) -> int:
    """Side to which a quick phase goes on one axis: +1, -1, or 0 where it does not oppose the slow phase."""
    slow, quick = beat.slow_phase_velocity_dps[axis], beat.amplitude_deg[axis]
    return (1 if quick > 0 else -1) if slow * quick < 0 else 0


def beats_per_second(beats: Sequence[Beat]) -> float:
    """Nystagmus frequency: beats / (time from the first slow phase to the last quick phase), 1/s.

    Raises ValueError without beats.
    """
    if not beats:
        raise ValueError("beats must not be empty")
    return len(beats) / (beats[-1].quick_end_s - beats[0].slow_start_s)


def drift(
    trace: Trace, start_s: float, end_s: float, axis: int, piece_s: float, beats: Sequence[Beat] = ()
) -> Middle | None:
    """Slow movement where beats are few or none: median slope over whole pieces of valid trace, deg/s.

    Quick movements touch few pieces and so do not move the median; a piece that the quick phase of one of
    `beats` touches has the velocity of its slow phase. None with fewer than two whole pieces.
    """
    slopes, begins_s, ends_s = piece_slopes(trace, start_s, end_s, axis, piece_s)
    if len(slopes) < 2:
        return None
    for beat in beats:
        touched = (ends_s > beat.slow_end_s) & (begins_s < beat.quick_end_s)
        slopes[touched] = beat.slow_phase_velocity_dps[axis]
    return middle(slopes, np.full(len(slopes), np.nan), OPPOSED)


def piece_slopes(
    trace: Trace, start_s: float, end_s: float, axis: int, piece_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Slopes (k,) of the whole pieces of valid trace, deg/s, and when each begins and ends, s.

    Raises ValueError for a start or end that is not finite.
    """
    must_be_finite(start_s=start_s, end_s=end_s)
    good = trace.torsion_valid if axis == AXES.index("torsional") else trace.valid
    edges = np.searchsorted(trace.time_s, np.arange(start_s, end_s + 1e-9, piece_s))
    seen = np.r_[0, np.cumsum(good[edges[0] : edges[-1]])] if len(edges) else np.empty(0)
    first, count = edges[:-1], np.diff(edges)
    whole = (count >= 3) & (np.diff(seen[edges - edges[:1]]) == count)
    if not whole.any():
        return np.empty(0), np.empty(0), np.empty(0)
    first, count = first[whole], count[whole]
    starts = np.cumsum(count) - count
    samples = np.arange(count.sum()) + np.repeat(first - starts, count)
    time, place = trace.time_s[samples], trace.position_deg[samples, axis]
    begins_s, ends_s = time[starts], time[starts + count - 1]
    time = time - np.repeat(np.add.reduceat(time, starts) / count, count)
    place = place - np.repeat(np.add.reduceat(place, starts) / count, count)
    return np.add.reduceat(time * place, starts) / np.add.reduceat(time * time, starts), begins_s, ends_s


def valid_seconds(trace: Trace, start_s: float, end_s: float, *, torsion: bool = False) -> float:
    """Time in the window for which the eye was seen: each valid sample stands for one frame."""
    good = trace.torsion_valid if torsion else trace.valid
    count = np.count_nonzero(good[samples_in(trace, start_s, end_s)])
    return float(count) / trace.rate_hz if count else 0.0


def samples_in(trace: Trace, start_s: float, end_s: float) -> slice:
    """Samples from `start_s` to `end_s`, both included."""
    first = int(np.searchsorted(trace.time_s, start_s, side="left"))
    return slice(first, max(int(np.searchsorted(trace.time_s, end_s, side="right")), first))


def frame_rate(trace: Trace, start_s: float, end_s: float) -> float:
    """1 / median interval of the frames in the window, 1/s; NaN with fewer than two."""
    steps = np.diff(trace.time_s[samples_in(trace, start_s, end_s)])
    steps = steps[steps > 0]
    return 1 / float(np.median(steps)) if len(steps) else math.nan


def gazes(trace: Trace, start_s: NDArray[np.float64], end_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """(k, 2) mean horizontal and vertical position of the valid samples in k spans; NaN without any."""
    part = samples_in(trace, float(start_s.min()), float(end_s.max()))
    valid, position = trace.valid[part], trace.position_deg[part, :2]
    sums = np.zeros((len(valid) + 1, 3))
    np.cumsum(np.column_stack((np.where(valid[:, None], position, 0.0), valid)), axis=0, out=sums[1:])
    first = np.searchsorted(trace.time_s[part], start_s, side="left")
    last = np.maximum(np.searchsorted(trace.time_s[part], end_s, side="right"), first)
    total = sums[last] - sums[first]
    return total[:, :2] / np.where(total[:, 2:] > 0, total[:, 2:], np.nan)


def lost_frames(trace: Trace, start_s: float, end_s: float) -> tuple[int, int]:
    """Frames missing in the window, and frames there: from its length, so late arrivals do not count."""
    time = trace.time_s[samples_in(trace, start_s, end_s)]
    if len(time) < 2:
        return 0, len(time)
    expected = round((time[-1] - time[0]) * trace.rate_hz) + 1
    return max(expected - len(time), 0), len(time)
