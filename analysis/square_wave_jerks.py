"""Movements that break fixation: square-wave jerks, large ones, bursts without a pause; and steadiness.

A square-wave jerk is a pair of horizontal saccades that take the eye off and back, 0.5 to 5 deg, about 200 ms
apart (Leigh & Zee, from memory; clinical reference 1.7). Flutter is saccades back to back without a pause, 10
to 15 a second.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

from analysis.estimate import Estimate, must_be_finite
from analysis.nystagmus import samples_in
from analysis.phases import find_phases
from analysis.trace import Trace

Floats = NDArray[np.float64]
USUAL_JERK_S = 0.25  # its saccades begin about 0.2 s apart and last 0.04 s (clinical 1.7, 9.4)
CERTAIN = 10.0  # standard errors: of such jerks 97 % were found, of those at 6 a third (simulated)


@dataclass(frozen=True, slots=True)
class JerkSettings:
    """Clinical reference 1.7 unless marked as a design choice."""

    smallest_deg: float = 0.5
    largest_deg: float = 5.0  # beyond: macro square-wave jerks; contested, 5 and 7 are in use
    beyond_deg: float = 15.0  # a pair of larger ones is a look about (design choice)
    pause_s: tuple[float, float] = (0.06, 0.45)  # between the two saccades (design choice about 0.2)
    seen_from_deg: float = 1.0  # where noise hides jerks of this size, they are not counted (design choice)
    alike: float = 0.4  # share by which the way back may differ from the way out (design choice)
    flutter_dps: float = 40.0  # of a swing (design choice)
    flutter_swing_s: float = 0.07  # longest half period: 10 to 15 a second have 0.033 to 0.05
    flutter_swings: int = 4  # in a row (design choice)
    flutter_rate_hz: float = 100.0  # frames that show them (design choice)


@dataclass(frozen=True, slots=True)
class Jerk:
    """One square-wave jerk: off and back."""

    start_s: float
    end_s: float
    size_deg: float  # of the way out, signed


def square_wave_jerks(
    trace: Trace, start_s: float, end_s: float, settings: JerkSettings | None = None
) -> tuple[Jerk, ...]:
    """Pairs of horizontal saccades off and back that begin in the span, in order of time; large ones too.

    A way back that goes on to the other side is the way back of one jerk and the way out of the next.
    """
    settings = settings or JerkSettings()
    fast = find_phases(trace).fast
    across, up = np.abs(fast["amplitude_deg"][:, 0]), np.abs(fast["amplitude_deg"][:, 1])
    fast = fast[(across >= settings.smallest_deg) & (across > up)]
    sizes, pauses = fast["amplitude_deg"][:, 0].tolist(), fast["start_s"][1:] - fast["end_s"][:-1]
    rests = [*((settings.pause_s[0] <= pauses) & (pauses <= settings.pause_s[1])).tolist(), False]
    found: list[Jerk] = []
    after = sizes[0] if sizes else 0.0  # of the saccade looked at, what no jerk before has used
    for k in range(len(sizes) - 1):
        out, after = after, sizes[k + 1]
        if not rests[k]:
            continue
        there = out + sizes[k + 1]  # from where the eye was before it went out
        if _off_and_back(out, sizes[k + 1], settings):
            after = 0.0
        elif out * there < 0 and rests[k + 1] and _comes_back(there, sizes[k + 2], settings):
            after = there
        else:
            continue
        found.append(Jerk(float(fast["start_s"][k]), float(fast["end_s"][k + 1]), out))
    return tuple(j for j in found if start_s <= j.start_s < end_s)


def _comes_back(out_deg: float, back_deg: float, settings: JerkSettings) -> bool:
    """Whether the way back is no shorter than that of a jerk; perhaps it goes on to the other side."""
    enough = abs(back_deg) >= (1 - settings.alike) * abs(out_deg) and out_deg * back_deg < 0
    return enough and settings.smallest_deg <= abs(out_deg) <= settings.beyond_deg


def _off_and_back(out_deg: float, back_deg: float, settings: JerkSettings) -> bool:
    larger = max(abs(out_deg), abs(back_deg))
    return _comes_back(out_deg, back_deg, settings) and abs(out_deg + back_deg) <= settings.alike * larger


def jerks_visible(trace: Trace, start_s: float, end_s: float) -> tuple[float, float]:
    """How long in the span a jerk could have been seen, s, and the smallest that noise does not hide, deg.

    A jerk that a blink or the end of the recording cuts short cannot be counted. The size is `CERTAIN`
    standard errors of the step between the ends of two lines of 0.2 s (each 4 SD^2 / n, of n samples);
    infinite where the noise is not known. Raises ValueError for a start or end that is not finite.
    """
    must_be_finite(start_s=start_s, end_s=end_s)
    phases = find_phases(trace)
    first = np.maximum(phases.stretches_s[:, 0], start_s)
    last = np.minimum(phases.stretches_s[:, 1] - USUAL_JERK_S, end_s)
    noise, alike = float(phases.noise_deg[0]), float(phases.correlation[0])
    samples = max(0.2 * trace.rate_hz, 3.0)
    smallest = CERTAIN * noise * math.sqrt(8 / samples * (1 + alike) / (1 - alike))
    return float(np.maximum(last - first, 0.0).sum()), smallest if math.isfinite(smallest) else math.inf


def rate_per_minute(count: int, seconds: float) -> Estimate:
    """Events a minute with the interval of Jeffreys for a count (from memory: Brown et al., 2003).

    Raises ValueError for a count below 0 or a time that is not above 0.

    >>> rate_per_minute(12, 60.0).value
    12.0
    """
    if count < 0:
        raise ValueError(f"count must not be negative, got {count}")
    if not (math.isfinite(seconds) and seconds > 0):
        raise ValueError(f"seconds must be finite and above 0, got {seconds}")
    each = 60.0 / seconds
    low = float(gammaincinv(count + 0.5, 0.025)) if count else 0.0
    high = float(gammaincinv(count + 0.5, 0.975))
    return Estimate(count * each, math.sqrt(count) * each, (low * each, high * each))


def steadiness(trace: Trace, start_s: float, end_s: float, axis: int) -> Floats:
    """Standard deviation of position between saccades, one a piece of at least 0.2 s, deg."""
    fast = find_phases(trace).fast
    inside = samples_in(trace, start_s, end_s)
    time, good = trace.time_s[inside], trace.valid[inside]
    edges = np.r_[start_s, (fast["start_s"] + fast["end_s"]) / 2, end_s]
    half = np.r_[0.0, (fast["end_s"] - fast["start_s"]) / 2, 0.0]
    found = []
    for k in range(len(edges) - 1):
        piece = good & (time > edges[k] + half[k] + 0.01) & (time < edges[k + 1] - half[k + 1] - 0.01)
        if np.count_nonzero(piece) >= max(0.2 * trace.rate_hz, 5):
            found.append(float(np.std(trace.position_deg[inside, axis][piece], ddof=1)))
    return np.array(found)


class Burst(NamedTuple):
    """Swings without a pause."""

    start_s: float
    end_s: float
    horizontal: bool  # and nothing else: flutter; opsoclonus goes in all directions (clinical reference 1.7)


def flutter_bursts(
    trace: Trace, start_s: float, end_s: float, settings: JerkSettings | None = None
) -> tuple[Burst, ...] | str:
    """Bursts of swings without a pause, in order of time, one on both axes once; or why none can be seen."""
    settings = settings or JerkSettings()
    if not trace.rate_hz >= settings.flutter_rate_hz * 0.98:
        return f"sampling rate too low ({trace.rate_hz:.0f}/s, {settings.flutter_rate_hz:g}/s needed)"
    inside = samples_in(trace, start_s, end_s)
    found: list[Burst] = []
    for axis in (0, 1):
        time, speed = _smooth_velocity(trace, inside, axis)
        noise = 1.4826 * float(np.median(np.abs(speed))) if speed.size else 0.0
        large = np.abs(speed) >= max(settings.flutter_dps, 6 * noise)
        swings = _swings(time, speed, large)
        run: list[float] = []
        before = 0.0
        for at, sign in swings:
            goes_on = run and sign == -before and at - run[-1] <= settings.flutter_swing_s
            run = [*run, at] if goes_on else [at]
            before = sign
            if len(run) == settings.flutter_swings:
                found.append(Burst(run[0], at, axis == 0))
            elif len(run) > settings.flutter_swings:
                found[-1] = found[-1]._replace(end_s=at)
    return _joined(sorted(found))


def _joined(bursts: Sequence[Burst]) -> tuple[Burst, ...]:
    """Bursts in order of time, those that overlap made one."""
    found: list[Burst] = []
    for one in bursts:
        if found and one.start_s <= found[-1].end_s:
            last = found.pop()
            one = Burst(last.start_s, max(last.end_s, one.end_s), last.horizontal and one.horizontal)
        found.append(one)
    return tuple(found)


def _smooth_velocity(trace: Trace, inside: slice, axis: int) -> tuple[Floats, Floats]:
    """Velocity over about 16 ms where the eye was seen all that time."""
    reach = max(1, round(0.008 * trace.rate_hz))
    time, place = trace.time_s[inside], trace.position_deg[inside, axis]
    place = np.where(trace.valid[inside], place, np.nan)
    if time.size <= 2 * reach:
        return time[:0], time[:0]
    speed = (place[2 * reach :] - place[: -2 * reach]) / (time[2 * reach :] - time[: -2 * reach])
    known = np.isfinite(speed)
    return time[reach:-reach][known], speed[known]


def _swings(time: Floats, speed: Floats, large: NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Time of greatest speed and sign of each run of samples that is fast one way."""
    sign = np.where(large, np.sign(speed), 0.0)
    starts = np.flatnonzero(np.diff(sign, prepend=0.0))
    ends = np.r_[starts, sign.size][1:]
    return [
        (float(time[a + int(np.argmax(np.abs(speed[a:b])))]), float(sign[a]))
        for a, b in zip(starts.tolist(), ends.tolist(), strict=True)
        if sign[a]
    ]
