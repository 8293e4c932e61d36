"""The rules by which a fast phase ends a beat of nystagmus, or does not and why."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray

from analysis.hidden_saccades import find_hidden_saccades
from analysis.lid_legs import find_lid_legs
from analysis.phases import Phases, PhaseSettings
from analysis.slow_phases import SLOW_DTYPE
from analysis.steps import STEP_DTYPE, too_slow
from analysis.trace import Trace


@dataclass(frozen=True, slots=True)
class BeatSettings:
    """What makes a beat. One set for all recordings and frame rates."""

    phases: PhaseSettings = field(default_factory=PhaseSettings)
    least_slow_s: float = 0.05  # visible part of a slow phase (six beats a second leave about 0.1 s)
    least_velocity_dps: float = 0.5  # slowest drift called nystagmus (clinical 27.8), mean of a train
    least_of_a_train_dps: float = 0.35  # slowest drift in a train: an eye that wanders slows some (simulated)
    least_significance: float = 3.0  # velocity over its standard error (clinical 6)
    sure_velocity_dps: float = 5.0  # a single beat of a faster drift needs no company (design choice),
    sure_significance: float = 6.0  # if the drift is also this many standard errors
    slow_velocity_dps: float = 3.0  # with noise, fixating eyes seem to drift up to this between saccades
    greatest_share: float = 2.5  # quick phase over drift of its slow phase; beyond: a gaze shift
    share_allowance_deg: float = 1.0  # added to it
    least_share: float = 0.25  # a smaller quick phase takes nothing back
    alike_share: float = 0.35  # of the share on the axis where it is largest: quick phases go straight back
    ripple_share: float = 0.1  # a step below this part of the drift round it does not end a slow phase
    shortest_share: float = 0.2  # of the usual duration; a shorter quick phase is a jump of the tracker
    greatest_gap_share: float = 0.75  # of the quick phase while a frame is missing; the rest must be seen
    least_cosine: float = 0.5  # between the quick phase and the way back along the slow phase
    train: tuple[int, int] = (6, 5)  # of 6 fast phases in a row 5 are beats of one direction (design choice)
    train_gap: int = 3  # so many fast phases before or after a train a beat may join it (simulated),
    train_share: float = 0.33  # if it is this fast beside the one that it joins (simulated)
    unseen_deg: float = 5.0  # a saccade larger than usual square-wave jerks is seen (clinical 1.7)
    hidden_errors: float = 3.0  # two levels fit a slow phase this much better than a line: a saccade in it
    neighbourhood_s: float = 10.0  # company is looked for within this of the beat (span of clinical 6)
    among_s: float = 2.0  # beats this near are a beat's neighbours


ROW_DTYPE = np.dtype(
    [
        ("slow", SLOW_DTYPE),
        ("fast", STEP_DTYPE),
        ("axis", "<i8"),
        ("speed_dps", "<f8"),  # of the slow phase on `axis`
        ("toward", "<f8", (3,)),  # unit vector against the slow phase, of the axes that count; else 0
        ("against", "?"),  # the fast phase takes back a drift that is certain
        ("reason", "U60"),  # why it ends no beat; "" where it does
    ]
)


def without_ripples(phases: Phases, settings: BeatSettings) -> Phases:
    """Leave out the fast phases that end no slow phase.

    These are tiny beside the slow movement that they interrupt, or so weak that only a train of beats could
    confirm them while they do not even go against that movement, where it is more than noise.
    """
    fast = phases.fast
    size, speed = np.linalg.norm(fast["step_deg"], axis=1), np.linalg.norm(fast["slow_dps"], axis=1)
    since_s = np.r_[-np.inf, fast["end_s"][:-1]]
    until_s = np.r_[fast["start_s"][1:], np.inf]
    reach_s = np.minimum(until_s, fast["end_s"] + 1.0) - np.maximum(since_s, fast["start_s"] - 1.0)
    drift = speed * reach_s
    back = -(fast["step_deg"] * fast["slow_dps"]).sum(axis=1)
    astray = (fast["strength"] < settings.phases.sure_strength) & (speed >= settings.slow_velocity_dps)
    astray &= back < settings.least_cosine * size * speed
    ripple = (size < settings.ripple_share * drift) | astray
    breaks_s = np.sort(np.r_[phases.breaks_s, fast["middle_s"][ripple]])
    return replace(phases, fast=fast[~ripple], breaks_s=breaks_s)


def judge(trace: Trace, phases: Phases, slow: NDArray[np.void], settings: BeatSettings) -> NDArray[np.void]:
    """Judge every fast phase: (k,) rows of ROW_DTYPE, those that end a beat or looked as if they did.

    Each is judged alone first, then in its company. A fast phase that ends no beat is kept if it took back a
    drift, or lies among accepted beats and goes their way.
    """
    table = np.zeros(slow.size, ROW_DTYPE)
    table["slow"], table["fast"] = slow, phases.fast
    drifting = _set_axes(table, settings)
    for reason, applies in _faults(table, drifting, settings):
        table["reason"] = np.where(applies & (table["reason"] == ""), reason, table["reason"])
    train = _in_train(table, settings)
    asked = _may_hide_saccades(table, settings) & ~train
    hides = find_hidden_saccades(trace, phases, slow, table["axis"], asked, settings.hidden_errors)
    table["reason"] = np.where(hides, "a saccade within the slow phase", table["reason"])
    lonely = (table["reason"] == "") & _lonely(table, train, settings)
    table["reason"] = np.where(lonely, "no other beats like it nearby", table["reason"])
    legs = _lid_legs(phases, table["reason"] == "")
    table["reason"] = np.where(legs, "strays from the axis of the others, as a lid does", table["reason"])
    accepted = table["reason"] == ""
    fast = table["fast"]
    alike = _among(fast["middle_s"], fast["amplitude_deg"], table["toward"], accepted, settings.among_s)
    return table[accepted | table["against"] | alike]


def _lid_legs(phases: Phases, beats: NDArray[np.bool_]) -> NDArray[np.bool_]:
    fast = phases.fast
    times = np.column_stack((fast["start_s"], fast["middle_s"], fast["end_s"]))
    edges = np.sort(np.r_[phases.stretches_s.ravel(), phases.lids_s.ravel()])
    return find_lid_legs(times, fast["step_deg"].copy(), fast["measured"].copy(), beats, edges)


def _set_axes(table: NDArray[np.void], settings: BeatSettings) -> NDArray[np.bool_]:
    """Fill in the axis and what hangs on it; returns where a drift is certain, taken back or not.

    An axis counts where its drift is certain and the fast phase takes back some of it, as it does on the
    others; the main one is the fastest of these. Without any it is that of the fast phase itself.
    """
    slow, amplitude = table["slow"], table["fast"]["amplitude_deg"]
    velocity = slow["velocity_dps"]
    speed = np.nan_to_num(np.abs(velocity), nan=-1.0)
    enough_dps = np.maximum(
        settings.least_significance * np.nan_to_num(slow["error_dps"]), settings.least_of_a_train_dps
    )
    certain = np.asarray(speed > enough_dps)
    drift_deg = velocity * (slow["end_s"] - slow["start_s"])[:, None]
    share = np.where(certain, -amplitude / np.where(certain, drift_deg, 1.0), 0.0)
    most = np.max(share, axis=1, keepdims=True)
    counts = np.asarray(certain & (share >= np.maximum(settings.least_share, settings.alike_share * most)))
    some = np.any(counts, axis=1, keepdims=True)
    table["axis"] = np.argmax(np.where(some, np.where(counts, speed, -1.0), np.abs(amplitude)), axis=1)
    table["speed_dps"] = np.take_along_axis(speed, table["axis"][:, None], axis=1)[:, 0]
    drift = np.where(counts, velocity, 0.0)
    table["toward"] = -drift / np.maximum(np.linalg.norm(drift, axis=1), 1e-9)[:, None]
    back = (table["toward"] * amplitude).sum(axis=1)
    size = np.linalg.norm(amplitude, axis=1)
    table["against"] = some[:, 0] & (back >= settings.least_cosine * size)
    return np.any(certain, axis=1)


def _faults(
    table: NDArray[np.void], drifting: NDArray[np.bool_], settings: BeatSettings
) -> list[tuple[str, NDArray[np.bool_]]]:
    """Reasons to refuse a beat that lie in the beat itself, and where each applies; the first one counts."""
    slow, fast = table["slow"], table["fast"]
    length_s = slow["end_s"] - slow["start_s"]
    cut = ~slow["complete"]
    short = (length_s < settings.least_slow_s) | ~np.isfinite(slow["velocity_dps"][:, :2]).all(axis=1)
    short |= cut & ~drifting
    too_short = fast["measured_s"] < settings.shortest_share * fast["usual_s"]  # false where not measured
    drift = table["speed_dps"] * length_s
    back = np.abs(fast["amplitude_deg"][np.arange(table.size), table["axis"]])
    return [
        ("slow phase interrupted by a blink", short & slow["after_blink"]),
        ("slow phase interrupted by missing frames", short & cut),
        ("slow phase too short", short),
        ("slow-phase velocity not significant", ~drifting),
        ("quick phase takes back too little of the slow phase", ~table["against"]),
        ("frames missing in the quick phase", fast["gap_share"] > settings.greatest_gap_share),
        ("quick phase outside the main sequence", too_short | too_slow(fast, settings.phases.longest_share)),
        (
            "quick phase larger than its slow phase explains",
            ~cut & (back > settings.greatest_share * drift + settings.share_allowance_deg),
        ),
    ]


def _may_hide_saccades(table: NDArray[np.void], settings: BeatSettings) -> NDArray[np.bool_]:
    length_s = table["slow"]["end_s"] - table["slow"]["start_s"]
    steep = table["speed_dps"] >= settings.slow_velocity_dps
    return steep & (table["speed_dps"] * length_s < settings.unseen_deg) & (table["reason"] == "")


def _in_train(table: NDArray[np.void], settings: BeatSettings) -> NDArray[np.bool_]:
    """Which beats stand in a train, or so near to one whose way they go that they belong to it."""
    middle_s, toward, speed = table["fast"]["middle_s"], table["toward"], table["speed_dps"]
    good, reach_s, (width, least) = table["reason"] == "", settings.neighbourhood_s, settings.train
    alike = _company(middle_s, toward, speed, good, reach_s, settings.least_velocity_dps, width)
    gap, share = settings.train_gap, settings.train_share
    return _with_ends(alike >= least, good, middle_s, toward, speed, reach_s, gap, share)


def _lonely(table: NDArray[np.void], train: NDArray[np.bool_], settings: BeatSettings) -> NDArray[np.bool_]:
    """Which beats need others like them nearby and have none.

    They are so slow, or so partly seen, or lie between beats of one direction and go another way themselves.
    """
    good, speed, middle_s = table["reason"] == "", table["speed_dps"], table["fast"]["middle_s"]
    reach_s, least_dps = settings.neighbourhood_s, settings.least_velocity_dps
    alike = _company(middle_s, table["toward"], speed, good, reach_s, least_dps, 3)
    error = np.take_along_axis(table["slow"]["error_dps"], table["axis"][:, None], axis=1)[:, 0]
    sure = (speed >= settings.sure_velocity_dps) & (
        speed >= settings.sure_significance * np.nan_to_num(error)
    )
    odd = _odd_one_out(middle_s, table["toward"], good, settings.among_s)
    unsure = ~(sure & table["slow"]["complete"]) | odd
    return np.where(speed < settings.slow_velocity_dps, ~train, unsure & (alike < 2))


@njit(cache=True, nogil=True, fastmath=False)
def _dot(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@njit(cache=True, nogil=True, fastmath=False)
def _company(
    middle_s: NDArray[np.float64],
    toward: NDArray[np.float64],
    speed_dps: NDArray[np.float64],
    good: NDArray[np.bool_],
    reach_s: float,
    least_dps: float,
    width: int,
) -> NDArray[np.int64]:
    """How many beats like it stand with each, at most, among `width` fast phases in a row (k,).

    Those that together are slower than `least_dps`, their mean, are no company.
    """
    alike = np.zeros(good.size, np.int64)
    for i in range(good.size):
        if not good[i]:
            continue
        for first in range(max(0, i - width + 1), min(i, good.size - width) + 1):
            count, total_dps = 0, 0.0
            for k in range(first, first + width):
                near = abs(middle_s[k] - middle_s[i]) <= reach_s
                if good[k] and near and _dot(toward[k], toward[i]) > 0.5:
                    count += 1
                    total_dps += speed_dps[k]
            if total_dps >= least_dps * count:
                alike[i] = max(alike[i], count)
    return alike


@njit(cache=True, nogil=True, fastmath=False)
def _with_ends(
    train: NDArray[np.bool_],
    good: NDArray[np.bool_],
    middle_s: NDArray[np.float64],
    toward: NDArray[np.float64],
    speed_dps: NDArray[np.float64],
    reach_s: float,
    gap: int,
    share: float,
) -> NDArray[np.bool_]:
    """The trains with the good beats that go on in them after up to `gap` fast phases, to both sides."""
    found = train.copy()
    for way in (-1, 1):
        for n in range(good.size):
            i = n if way < 0 else good.size - 1 - n
            for k in range(i + way, i + way * (gap + 1), way):
                if not (good[i] and 0 <= k < good.size and found[k]):
                    continue
                near = abs(middle_s[k] - middle_s[i]) <= reach_s and speed_dps[i] >= share * speed_dps[k]
                found[i] |= near and _dot(toward[k], toward[i]) > 0.7
    return found


@njit(cache=True, nogil=True, fastmath=False)
def _odd_one_out(
    middle_s: NDArray[np.float64], toward: NDArray[np.float64], good: NDArray[np.bool_], reach_s: float
) -> NDArray[np.bool_]:
    """Whether the beats before and after each, both within `reach_s`, go one way and it another."""
    odd = np.zeros(good.size, np.bool_)
    before, here = -1, -1
    for after in range(good.size):
        if not good[after]:
            continue
        near = middle_s[after] - middle_s[here] <= reach_s and middle_s[here] - middle_s[before] <= reach_s
        if before >= 0 and near:
            odd[here] = _dot(toward[before], toward[after]) > 0.5 and (
                _dot(toward[here], toward[before]) + _dot(toward[here], toward[after]) < 1.0
            )
        before, here = here, after
    return odd


@njit(cache=True, nogil=True, fastmath=False)
def _among(
    middle_s: NDArray[np.float64],
    amplitude_deg: NDArray[np.float64],
    toward: NDArray[np.float64],
    accepted: NDArray[np.bool_],
    reach_s: float,
) -> NDArray[np.bool_]:
    """Whether an accepted beat within `reach_s` goes the way of each fast phase (within 45 degrees)."""
    found = np.zeros(accepted.size, np.bool_)
    for i in range(accepted.size):
        size = np.sqrt(_dot(amplitude_deg[i], amplitude_deg[i]))
        for way in (-1, 1):
            k = i + way
            while 0 <= k < accepted.size and abs(middle_s[k] - middle_s[i]) <= reach_s:
                found[i] |= accepted[k] and _dot(toward[k], amplitude_deg[i]) > 0.7 * size
                k += way
    return found
