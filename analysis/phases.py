"""Slow and fast phases of one trace.

The chain of straight lines with the least cost (`analysis.segmentation`) proposes where the eye jumped.
The proposals are then weighed on the samples themselves, and the weakest given up, one after the other, until
every step that is left is larger than noise can make it. These are the fast phases, whatever their direction:
quick phases of nystagmus, saccades, square-wave jerks. What lies between them is slow. There is no velocity
threshold anywhere, so slow phases may be fast and quick phases small.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.lids import find_lids, without_lids
from analysis.segmentation import average, block_noise, residuals, segment, without_quick_lines
from analysis.slope import TO_SD
from analysis.step_fits import plateau
from analysis.steps import as_fast_as_saccades, measure_steps, too_slow
from analysis.trace import Trace, TraceSettings

SECOND_DIFFERENCE = np.sqrt(6.0)  # SD of x[i-1] - 2 x[i] + x[i+1] for white noise of SD 1
BLINK = TraceSettings()
QUANTILE, NORMAL_QUANTILE = 0.3, 0.3853  # of |x|; low, because near quick phases the difference is no noise


@dataclass(frozen=True, slots=True)
class PhaseSettings:
    """How fast phases are found. One set for all recordings and frame rates."""

    search_interval_s: float = 0.012  # frames are averaged to about this for the search (design choice)
    jump_cost: float = 25.0  # 2 x 3 parameters, ln(search samples in a second): an information criterion
    skip_cost: float = 7.0  # a sample outside lines: what noise on three axes costs (3), and as much again
    longest_jump_s: float = 0.15  # a saccade of 40 deg (Baloh 1975: 37 ms + 2.7 ms a degree, clinical 9.4)
    longest_line_s: float = 1.0  # bounds the work of the search; longer slow phases are joined again
    shortest_line_s: float = 0.06  # six beats a second leave 0.1 s for the slow phase
    fewest_samples: int = 3  # of a line
    longest_gap_s: float = BLINK.blink_min_s  # a longer gap ends the stretch: a blink, lost frames
    longest_gap_frames: float = 2.5  # as do this many frames, where that is longer
    least_noise_deg: float = 0.02  # unsteadiness that every eye has (design choice)
    slow_piece_s: float = 0.5  # a usual slow phase: noise is what strays from its line within this
    noise_block_s: float = 2.0  # over which the noise of a stretch is compared with the usual (design choice)
    noisier: float = 1.5  # times the usual noise: then a neighbourhood is taken at its own
    greatest_correlation: float = 0.9  # of neighbouring residuals
    least_strength: float = 6.0  # step over its standard error, where a train of beats must confirm it
    sure_strength: float = 8.0  # where it stands alone (chosen on simulated pursuit at 500 samples/s)
    longest_share: float = 1.8  # of the usual duration (37 ms + 2.7 ms a degree); beyond, a movement is slow
    least_gap: float = 0.6  # lines closer than this share of the step at an end of the jump: the eye turned
    window_frames: float = 20.0  # of slow movement on each side that a step is measured against
    window_s: tuple[float, float] = (0.16, 0.25)  # but within these: longer bend, shorter are unsure


@dataclass(frozen=True, slots=True)
class Phases:
    """Fast phases of a trace, and what they were measured against."""

    fast: NDArray[np.void]  # (k,) of STEP_DTYPE, in order
    breaks_s: NDArray[np.float64]  # (j,) where slow movement changed without a jump
    stretches_s: NDArray[np.float64]  # (m, 2) first and last sample on a line, between long gaps
    noise_deg: NDArray[np.float64]  # (3,) SD of a sample about its slow phase; NaN where an axis has none
    correlation: NDArray[np.float64]  # (3,) of neighbouring residuals, 0 to below 1
    lids_s: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))  # that showed the pupil


def find_fast_phases(trace: Trace, settings: PhaseSettings | None = None) -> NDArray[np.void]:
    """Find every fast eye movement of a trace: (k,) rows of STEP_DTYPE in order of time.

    Movements that were longer or slower than the main sequence allows are left out.
    """
    settings = settings or PhaseSettings()
    fast = find_phases(trace, settings).fast
    sure = fast["strength"] >= settings.sure_strength
    return fast[sure & ~too_slow(fast, settings.longest_share) & as_fast_as_saccades(fast)]


def find_phases(trace: Trace, settings: PhaseSettings | None = None, lids_apart: bool = False) -> Phases:
    """Tell fast from slow over a whole trace; blinks and long gaps are never bridged.

    With `lids_apart` no lid that still shows the pupil is bridged either. Only beats are told from those: who
    looks from target to target may look down and up again as quickly.
    """
    settings = settings or PhaseSettings()
    place = np.flatnonzero(trace.valid)
    time = trace.time_s[place]
    position = np.where(
        trace.torsion_valid[place, None] | [True, True, False], trace.position_deg[place], np.nan
    )
    rate_hz = trace.rate_hz if np.isfinite(trace.rate_hz) else 1.0  # with a single instant any will do
    stretches = _stretches(time, rate_hz, settings)
    lines, owner = _lines(time, position, stretches, rate_hz, settings)
    noise, correlation = _noise(time, position, lines, settings)
    known_noise = np.nan_to_num(noise, nan=np.inf)
    slow = without_quick_lines(time, position / known_noise, lines, owner, settings.longest_jump_s)
    lines, owner = lines[slow], owner[slow]
    lids = np.empty((0, 2), dtype=np.int64)
    if lids_apart:
        wide_deg = known_noise[1] * np.sqrt((1 + correlation[1]) / (1 - correlation[1]))
        lids = find_lids(time, position[:, 1].copy(), wide_deg, lines, owner, 1 / rate_hz)
        lines, owner, stretches = without_lids(lines, stretches, lids)
    lines, owner = _with_tails(time, position, known_noise, lines, owner, stretches)
    proposals = _proposals(lines, owner)
    line = _line_of(lines, time.size)
    steady = np.where(line[:, None] >= 0, position, np.nan)
    spread = (_local_noise(time, position, line, known_noise, settings), correlation)
    fast = _weigh(time, position, steady, spread, proposals, 1 / rate_hz, settings)
    given_up = ~np.isin(proposals[:, 0], fast["before"])
    explained = _explained(lines, owner)
    slow_pieces = _slow_pieces(time, explained, fast, settings.slow_piece_s)
    noise, correlation = _noise(time, steady, slow_pieces, settings)
    breaks_s = time[proposals[given_up, :2]].mean(axis=1)
    return Phases(fast, breaks_s, time[explained], noise, correlation, time[lids])


def _stretches(time: NDArray[np.float64], rate_hz: float, settings: PhaseSettings) -> NDArray[np.int64]:
    """First and last sample (m, 2) of the stretches between long gaps."""
    if not time.size:
        return np.empty((0, 2), dtype=np.int64)
    longest = max(settings.longest_gap_s, settings.longest_gap_frames / rate_hz)
    gaps = np.flatnonzero(np.diff(time) > longest)
    return np.column_stack((np.r_[0, gaps + 1], np.r_[gaps, time.size - 1]))


def _lines(
    time: NDArray[np.float64],
    position: NDArray[np.float64],
    stretches: NDArray[np.int64],
    rate_hz: float,
    settings: PhaseSettings,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last sample (k, 2) of every straight line, and the stretch (k,) that it belongs to."""
    group = max(1, round(settings.search_interval_s * rate_hz))
    fewest = max(settings.fewest_samples, int(np.ceil(settings.shortest_line_s * rate_hz / group)))
    coarse = [average(time[a : b + 1], position[a : b + 1], group) for a, b in stretches.tolist()]
    noise = _first_noise([x for _, x in coarse], settings)
    found, owner = [np.empty((0, 2), dtype=np.int64)], [0] * 0
    for index, ((a, b), (t, x)) in enumerate(zip(stretches.tolist(), coarse, strict=True)):
        chain = segment(
            t,
            x / noise,
            settings.jump_cost,
            settings.skip_cost,
            settings.longest_jump_s,
            settings.longest_line_s,
            fewest,
        )
        ends = np.minimum(chain[:, 1] * group + group - 1, b - a)
        found.append(np.column_stack((chain[:, 0] * group, ends)) + a)
        owner += [index] * len(chain)
    return np.concatenate(found), np.array(owner, dtype=np.int64)


def _first_noise(pieces: list[NDArray[np.float64]], settings: PhaseSettings) -> NDArray[np.float64]:
    """Noise (3,) of the samples that the search sees, from their second differences."""
    noise = np.full(3, settings.least_noise_deg)
    bends = np.concatenate([np.abs(np.diff(x, n=2, axis=0)) for x in pieces] or [np.empty((0, 3))])
    for axis in range(3):
        finite = bends[np.isfinite(bends[:, axis]), axis]
        if finite.size:
            low = np.quantile(finite, QUANTILE) / NORMAL_QUANTILE / SECOND_DIFFERENCE
            noise[axis] = max(low, settings.least_noise_deg)
    return noise


def _local_noise(
    time: NDArray[np.float64],
    position: NDArray[np.float64],
    line: NDArray[np.int64],
    noise: NDArray[np.float64],
    settings: PhaseSettings,
) -> NDArray[np.float64]:
    """Noise (n, 3) at each sample: the usual one, or that of its neighbourhood where it is clearly worse."""
    if not time.size:
        return np.empty((0, 3))
    block = ((time - time[0]) / settings.noise_block_s).astype(np.int64)
    starts = np.searchsorted(block, np.arange(block[-1] + 2))
    own = TO_SD * block_noise(position, line, starts) / SECOND_DIFFERENCE
    padded = np.pad(own, ((1, 1), (0, 0)))
    worst = np.maximum(np.maximum(padded[:-2], padded[1:-1]), padded[2:])
    return np.where(worst > settings.noisier * noise, worst, noise)[block]


def _noise(
    time: NDArray[np.float64],
    position: NDArray[np.float64],
    lines: NDArray[np.int64],
    settings: PhaseSettings,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """SD (3,) of a sample about its line, and the correlation (3,) of neighbours."""
    noise, correlation = np.full(3, np.nan), np.zeros(3)
    rest = residuals(time, position, lines)
    for axis in range(3):
        own = rest[:, axis]
        finite = np.abs(own[np.isfinite(own)])
        if not finite.size:
            continue
        noise[axis] = max(TO_SD * float(np.median(finite)), settings.least_noise_deg)
        usual = np.clip(own, -3 * noise[axis], 3 * noise[axis])
        together = np.isfinite(usual[1:]) & np.isfinite(usual[:-1])
        if together.any() and np.any(usual[:-1][together]):
            pairs = np.mean(usual[1:][together] * usual[:-1][together]) / np.mean(usual[:-1][together] ** 2)
            correlation[axis] = np.clip(pairs, 0.0, settings.greatest_correlation)
    return noise, correlation


def _explained(lines: NDArray[np.int64], owner: NDArray[np.int64]) -> NDArray[np.int64]:
    """First and last sample (m, 2) on a line, of each stretch that has one."""
    new = np.r_[True, owner[1:] != owner[:-1]][: owner.size]
    return np.column_stack((lines[new, 0], lines[np.roll(new, -1), 1]))


def _slow_pieces(
    time: NDArray[np.float64], explained: NDArray[np.int64], fast: NDArray[np.void], longest_s: float
) -> NDArray[np.int64]:
    """First and last sample (k, 2) of what lies between the fast phases, cut to at most `longest_s`.

    The lines of the search are cut wherever noise that is not white wanders off; about these pieces it shows.
    """
    first = np.sort(np.r_[explained[:, 0], fast["after"]])
    last = np.sort(np.r_[explained[:, 1], fast["before"]])
    pieces = np.ceil((time[last] - time[first]) / longest_s).astype(np.int64)
    pieces = np.minimum(pieces, last - first + 1).clip(1)
    of = np.repeat(np.arange(first.size), pieces)
    part = np.arange(of.size) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    size = (last - first + 1)[of] / pieces[of]
    starts = first[of] + np.ceil(part * size).astype(np.int64)
    return np.column_stack((starts, first[of] + np.ceil((part + 1) * size).astype(np.int64) - 1))


def _line_of(lines: NDArray[np.int64], size: int) -> NDArray[np.int64]:
    """Which line (size,) each sample lies on; -1 for those in a jump, or stray."""
    change = np.zeros(size + 1, dtype=np.int64)
    number = np.arange(len(lines)) + 1
    np.add.at(change, lines[:, 0], number)
    np.add.at(change, lines[:, 1] + 1, -number)
    return np.cumsum(change)[:-1] - 1


def _with_tails(
    time: NDArray[np.float64],
    position: NDArray[np.float64],
    noise: NDArray[np.float64],
    lines: NDArray[np.int64],
    owner: NDArray[np.int64],
    stretches: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Lines and owners, and for each stretch the few samples at its end where the eye rests after a jump.

    Where the last ones move, they may have gone with a lid: then those are looked at that came before it.
    """
    pieces, owners, since = [np.empty((0, 2), dtype=np.int64)], [owner[:0]], 0
    for end in (np.flatnonzero(np.r_[owner[1:] != owner[:-1], [True] * (owner.size > 0)]) + 1).tolist():
        (first, before), last = lines[end - 1].tolist(), int(stretches[owner[end - 1], 1])
        lid = int(np.searchsorted(time, time[last] - BLINK.blink_before_s, side="right")) - 1
        tails = (
            (plateau(time, position, noise, first, before, to), to) for to in (last, lid) if to > before + 1
        )
        tail = [list(rest) for rest in tails if rest[0] < rest[1]][:1]
        pieces += [lines[since:end], np.array(tail, dtype=np.int64).reshape(-1, 2)]
        owners += [owner[since:end], owner[end - 1 : end][: len(tail)]]
        since = end
    return np.concatenate(pieces), np.concatenate(owners)


def _proposals(lines: NDArray[np.int64], owner: NDArray[np.int64]) -> NDArray[np.int64]:
    """Last sample before, first after, first and last sample of the lines on both sides: (k, 4)."""
    joined = np.flatnonzero(owner[1:] == owner[:-1]) if owner.size else np.empty(0, dtype=np.int64)
    before, after = lines[joined], lines[joined + 1]
    return np.column_stack((before[:, 1], after[:, 0], before[:, 0], after[:, 1]))


def _weigh(
    time: NDArray[np.float64],
    position: NDArray[np.float64],
    steady: NDArray[np.float64],
    spread: tuple[NDArray[np.float64], NDArray[np.float64]],
    proposals: NDArray[np.int64],
    interval_s: float,
    settings: PhaseSettings,
) -> NDArray[np.void]:
    """Give up the weakest proposals until all that are left are significant; measure those.

    When one is given up, the lines beside it become one, which may change what its neighbours are worth: so
    in each round only those go that are weaker than both neighbours.
    """
    window_s = float(np.clip(settings.window_frames * interval_s, *settings.window_s))
    while True:
        steps = measure_steps(time, position, steady, *spread, proposals, interval_s, window_s)
        strength = np.r_[np.inf, steps["strength"], np.inf]
        least = (strength[1:-1] <= strength[:-2]) & (strength[1:-1] < strength[2:])
        weak = (steps["strength"] < settings.least_strength) & least
        if not weak.any():
            return steps[steps["least_gap"] >= settings.least_gap]
        proposals = _joined(proposals, weak)


def _joined(proposals: NDArray[np.int64], gone: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Proposals without those that are gone; their neighbours' lines reach over them."""
    proposals = proposals.copy()
    for i in np.flatnonzero(gone).tolist():
        _, _, low, high = proposals[i]
        if i > 0 and proposals[i - 1, 3] == proposals[i, 0]:
            proposals[i - 1, 3] = high
        if i + 1 < len(proposals) and proposals[i + 1, 2] == proposals[i, 1]:
            proposals[i + 1, 2] = low
    return proposals[~gone]
