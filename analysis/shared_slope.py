"""One velocity for all the slow phases of a span, whether or not their quick phases can be seen.

What `line_evidence` says of every velocity, part by part of a span. How much the parts differ in it tells how
certain it is: noise that lasts and a slow phase that wanders are in that, whatever their kind.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from analysis.line_evidence import NOTHING, log_evidence
from analysis.nystagmus import NORMAL_SD_PER_MAD, samples_in
from analysis.trace import Trace
from capture.samples import AXES

Floats = NDArray[np.float64]
# Design choices, seen on simulated nystagmus and quiet eyes, each 30 s long.
BIN_S = 0.02  # samples are averaged over it
PART_S, SHORTEST_PART_S, MOST_PARTS, LEAST_PARTS = 2.0, 0.6, 15, 8
LASTS_S, USUAL_S = (0.08, 0.15, 0.3, 0.7), 0.3  # of a slow phase, tried
LASTS_SPREAD = 0.5  # of their logarithms
SHORTEST_S, LONGEST_S = 0.05, 0.9
STRAY_DPS = 0.2  # of slow phases from their common velocity
JUMPS = np.array((0.0, 0.2, 0.4, 0.4))  # shares of quick phases that cover so many bins
NOISIER = (1.0, 1.4, 2.0)  # times the noise of single samples, tried: some noise lasts
MEAN_PLACE_S = 1.0  # before and behind
LEVEL_SHARE = 0.5  # of the scatter about that place: of the middles of slow phases
SPEEDS_DPS = (0.4, 0.8, 1.4, 2.4, 4.0, 6.5, 10.5)
FINER = 12  # steps between the neighbours of the likeliest, twice
ONE_SAMPLE = math.sqrt(6.0)  # noise of the second differences over that of a sample
LEAST_NOISE_DEG, LOOKED_AT_S = 0.005, 60.0
CERTAIN_LOG, CERTAIN_ERRORS = 10.0, 3.0  # log ratio of likelihoods against no movement
UNLIKELY_LOG = -2.8  # mean likelihood of all velocities against that of none


@dataclass(frozen=True, slots=True)
class SharedSlope:
    """The velocity, deg/s, with its 95 % interval, and whether the eye surely moves so, part by part."""

    velocity_dps: float
    interval: tuple[float, float]
    certain: bool
    excluded: bool  # whether hidden beats are unlikely, and only how the eye moved in between is told


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Unbroken bins of a part, (n,) each."""

    part: int
    time_s: Floats
    place_deg: Floats
    off_deg: Floats  # from the mean place
    noise_deg: Floats


def shared_slope(trace: Trace, start_s: float, end_s: float, axis: int) -> SharedSlope | None:
    """The common velocity of a span; None where the eye was seen in fewer than `LEAST_PARTS` parts."""
    stretches = _stretches(trace, start_s, end_s, axis)
    parts = sorted({s.part for s in stretches})
    if len(parts) < LEAST_PARTS:
        return None
    slopes = np.r_[-np.array(SPEEDS_DPS)[::-1], 0.0, SPEEDS_DPS]
    some = [s for s in stretches if s.part in parts[::3]]  # enough for what is no velocity
    _, noisier = _likeliest(some, slopes, [(USUAL_S, noisier) for noisier in NOISIER])
    best = _likeliest(some, slopes, [(lasts_s, noisier) for lasts_s in LASTS_S])
    logs = _log_evidence(stretches, slopes, *best)
    for _ in range(2):
        top = int(logs.sum(axis=0).argmax())
        ends = slopes[max(top - 1, 0)], slopes[min(top + 1, len(slopes) - 1)]
        finer = np.linspace(*ends, FINER + 1)
        more = np.setdiff1d(np.r_[finer, -finer], slopes)
        logs = np.hstack((logs, _log_evidence(stretches, more, *best)))
        order = np.argsort(np.r_[slopes, more])
        slopes, logs = np.r_[slopes, more][order], logs[:, order]
    return _told(slopes, logs, best[0])


def _likeliest(
    stretches: Sequence[_Stretch], slopes: Floats, tried: Sequence[tuple[float, float]]
) -> tuple[float, float]:
    """Of some durations and noises those that explain the trace best at all slopes together."""

    def explained(one: tuple[float, float]) -> float:
        return float(np.logaddexp.reduce(_log_evidence(stretches, slopes, *one).sum(axis=0)))

    return max(tried, key=explained)


def _told(slopes: Floats, logs: Floats, lasts_s: float) -> SharedSlope:
    """From log likelihoods (k, m) of k parts at slopes (m,).

    Quick phases begin and end softly: up to half a bin of each may count as slow phase and make it too slow.
    """
    total, parts = logs.sum(axis=0), len(logs)
    share = np.exp(total - total.max()) * np.gradient(slopes)
    share /= share.sum()
    value = float(share @ slopes)
    variance = float(share @ (slopes - value) ** 2)
    top = int(total.argmax())
    lower, upper = max(top - 1, 0), min(top + 1, len(slopes) - 1)
    scores = (logs[:, upper] - logs[:, lower]) / (slopes[upper] - slopes[lower])
    between = variance**2 * parts * float(np.var(scores, ddof=1))
    reach = float(stdtrit(parts - 1, 0.975)) * math.sqrt(max(variance, between))
    ends = np.interp([0.025, 0.975], np.cumsum(share) - share / 2, slopes)
    low, high = min(float(ends[0]), value - reach), max(float(ends[1]), value + reach)
    softened = 1 + BIN_S / 2 / lasts_s
    interval = (low * softened if low < 0 else low, high * softened if high > 0 else high)
    none = int(np.argmin(np.abs(slopes)))
    swings = total[int(np.argmin(np.abs(slopes + slopes[top])))] >= total[none]  # either way alike
    sure = _beyond(logs[:, top] - logs[:, none]) and not swings and low * high > 0
    apart = np.gradient(slopes) / float(np.ptp(slopes))
    odds = float(np.logaddexp.reduce(total - total[none] + np.log(apart)))
    return SharedSlope(value, interval, sure, odds < UNLIKELY_LOG)


def _beyond(gains: Floats) -> bool:
    """Whether log ratios of likelihoods (k,) of k parts are together beyond doubt."""
    error = math.sqrt(len(gains)) * float(np.std(gains, ddof=1))
    return float(gains.sum()) > max(CERTAIN_LOG, CERTAIN_ERRORS * error)


def _stretches(trace: Trace, start_s: float, end_s: float, axis: int) -> list[_Stretch]:
    """What was seen of parts that lie evenly in a span."""
    part_s = float(np.clip((end_s - start_s) / (2 * LEAST_PARTS), SHORTEST_PART_S, PART_S))
    begins = np.arange(start_s, end_s - part_s + 1e-9, part_s)
    kept = np.linspace(0, len(begins) - 1, min(len(begins), MOST_PARTS)).round().astype(np.int64)
    bin_s, found = max(BIN_S, 1 / trace.rate_hz), list[tuple[int, Floats, Floats, Floats]]()
    for part, from_s in zip(kept.tolist(), begins[kept].tolist(), strict=True):
        span = samples_in(trace, from_s, from_s + part_s - 1e-9)
        good, time, place = _valid(trace, axis)[span], trace.time_s[span], trace.position_deg[span, axis]
        found += [(part, *bins) for bins in _binned(time[good], place[good], start_s, bin_s)]
    noise = sample_noise_deg(trace, start_s, end_s, axis)
    if not found or not noise:
        return []
    off = _off_mean(*(np.concatenate([one[k] for one in found]) for k in (1, 2)))
    cuts = np.cumsum([len(one[1]) for one in found])[:-1]
    return [
        _Stretch(part, time, place, away, noise / np.sqrt(count))
        for (part, time, place, count), away in zip(found, np.split(off, cuts), strict=True)
    ]


def sample_noise_deg(trace: Trace, start_s: float, end_s: float, axis: int) -> float:
    """Noise of one sample in the first minute of a span; 0 where no three follow each other."""
    span = samples_in(trace, start_s, min(end_s, start_s + LOOKED_AT_S))
    good = _valid(trace, axis)[span]
    away = np.abs(np.diff(trace.position_deg[span, axis], 2)[good[2:] & good[1:-1] & good[:-2]])
    return max(NORMAL_SD_PER_MAD * float(np.median(away)) / ONE_SAMPLE, LEAST_NOISE_DEG) if len(away) else 0.0


def _valid(trace: Trace, axis: int) -> NDArray[np.bool_]:
    return trace.torsion_valid if axis == AXES.index("torsional") else trace.valid


def _binned(time: Floats, place: Floats, start_s: float, bin_s: float) -> list[tuple[Floats, Floats, Floats]]:
    """Mean time, mean place and count of bins, where at least three follow each other."""
    if not len(time):
        return []
    number, count = np.unique(((time - start_s) // bin_s).astype(np.int64), return_counts=True)
    starts = np.cumsum(count) - count
    whole = (np.add.reduceat(time, starts) / count, np.add.reduceat(place, starts) / count, count)
    runs = np.split(np.arange(len(number)), np.flatnonzero(np.diff(number) > 1) + 1)
    return [(whole[0][r], whole[1][r], whole[2][r].astype(np.float64)) for r in runs if len(r) > 2]


def _off_mean(time: Floats, place: Floats) -> Floats:
    """Places (n,) less the mean of those near in time."""
    sums = np.concatenate(([0.0], np.cumsum(place)))
    first, last = np.searchsorted(time, time - MEAN_PLACE_S), np.searchsorted(time, time + MEAN_PLACE_S)
    return place - (sums[last] - sums[first]) / (last - first)


def _log_evidence(stretches: Sequence[_Stretch], slopes: Floats, lasts_s: float, noisier: float) -> Floats:
    """(k, m) log likelihoods of k parts."""
    width = max(float(np.std(np.concatenate([s.off_deg for s in stretches]))), LEAST_NOISE_DEG)
    lasts = _lasts(lasts_s, float(np.median(np.concatenate([np.diff(s.time_s) for s in stretches]))))
    found: dict[int, Floats] = {}
    for s in stretches:
        logs = log_evidence(
            s.time_s, s.place_deg, s.off_deg, noisier * s.noise_deg, lasts, JUMPS, slopes, STRAY_DPS,
            LEVEL_SHARE * width, width,
        )  # fmt: skip
        found[s.part] = found.get(s.part, 0.0) + logs - len(s.time_s) * math.log(noisier)
    return np.array(list(found.values()))


def _lasts(lasts_s: float, step_s: float) -> Floats:
    """Log shares of lines of so many bins, whose logarithms are normal."""
    long_s = np.arange(round(LONGEST_S / step_s) + 1) * step_s
    shares = np.full(len(long_s), -np.inf)
    able = long_s >= SHORTEST_S
    shares[able] = -0.5 * (np.log(long_s[able] / lasts_s) / LASTS_SPREAD) ** 2 - np.log(long_s[able])
    return np.maximum(shares - np.logaddexp.reduce(shares), NOTHING)
