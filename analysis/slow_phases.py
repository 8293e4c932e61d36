"""The slow phase before each fast phase: from when to when, how fast on each axis, and how certain."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from analysis.landing import landing_share
from analysis.phases import Phases
from analysis.slope import slope_and_error
from analysis.trace import Trace

SLOW_DTYPE = np.dtype(
    [
        ("start_s", "<f8"),
        ("end_s", "<f8"),
        ("velocity_dps", "<f8", (3,)),
        ("error_dps", "<f8", (3,)),  # standard error
        ("complete", "?"),  # begins where a fast phase ended or the drift set in, not at a blink or gap
        ("after_blink", "?"),
    ]
)
GUARD = 0.2  # of a fast phase's duration on each side belongs to no slow phase: some land very softly
ROUNDS = 4  # in which it is found how long the fast phases of this eye take to settle
TURN = 0.5  # a slow phase begins anew where its velocity changes by more than this share of the larger one,
TURN_ERRORS = 4.0  # and by this many standard errors
TURN_S = 0.1  # pieces shorter than this are not asked


def measure_slow_phases(trace: Trace, phases: Phases) -> NDArray[np.void]:
    """Measure the slow phase that each fast phase of `phases` ends: (k,) rows of SLOW_DTYPE.

    A slow phase reaches back to the fast phase before it, at most to the last blink or long gap; where its
    velocity changed beyond doubt without a jump (a nystagmus that sets in), only the last part counts.
    Velocities are NaN with fewer than three samples, and for torsion where it cannot be read in half of them.
    """
    fast = phases.fast
    slow = np.zeros(fast.size, SLOW_DTYPE)
    if not fast.size:
        return slow
    stretch = phases.stretches_s[np.searchsorted(phases.stretches_s[:, 0], fast["middle_s"]) - 1]
    end_before = np.r_[-np.inf, fast["end_s"][:-1]]
    slow["complete"] = end_before > stretch[:, 0]
    slow["start_s"] = np.maximum(end_before, stretch[:, 0])
    slow["end_s"] = np.maximum(fast["start_s"], slow["start_s"])
    slow["after_blink"] = _near_blink(stretch[:, 0], trace, phases) & ~slow["complete"]
    _fit(trace, phases, slow)
    return slow


def _fit(trace: Trace, phases: Phases, slow: NDArray[np.void]) -> None:
    """Fill in velocities and errors; where a slow phase turned, it begins there."""
    fast, valid = phases.fast, trace.valid
    position = np.where(trace.torsion_valid[:, None] | [True, True, False], trace.position_deg, np.nan)[valid]
    seen = (trace.time_s[valid], position, np.nan_to_num(phases.noise_deg))
    lasts_s = fast["end_s"] - fast["start_s"]
    until_s = np.maximum(slow["end_s"] - GUARD * lasts_s, slow["start_s"])
    before_s = np.where(slow["complete"], np.r_[0.0, lasts_s[:-1]], 0.0)
    at_most_s = np.maximum(GUARD * before_s, (until_s - slow["start_s"]) / 2)  # half is left to be measured
    start_s, since_s, share = slow["start_s"], slow["start_s"], GUARD
    for _ in range(ROUNDS):
        since_s = np.minimum(slow["start_s"] + np.minimum(share * before_s, at_most_s), until_s)
        found = _measure(*seen, since_s, until_s, phases.breaks_s, phases.correlation)
        start_s, slow["velocity_dps"], slow["error_dps"] = found
        # behind a blink or a turn nothing landed
        behind_s = np.where(slow["complete"] & (start_s == since_s), start_s, until_s)
        later = landing_share(*seen, fast, (behind_s, until_s), slow["velocity_dps"])
        if not later:
            break
        share += later
    turned = start_s > since_s
    slow["complete"] |= turned
    slow["start_s"] = np.where(turned, start_s, slow["start_s"])


def _near_blink(start_s: NDArray[np.float64], trace: Trace, phases: Phases) -> NDArray[np.bool_]:
    """Whether a blink ended just before each of these starts of a stretch, or a lid before it."""
    ends_s = np.r_[-np.inf, phases.stretches_s[:, 1]]
    left_s = ends_s[np.searchsorted(phases.stretches_s[:, 0], start_s)]  # where the stretch before ended
    since, until = (
        np.searchsorted(phases.lids_s[:, 0], left_s),
        np.searchsorted(phases.lids_s[:, 1], start_s, "right"),
    )
    behind_lid = until > since
    if not len(trace.blinks_s):
        return behind_lid
    blink = trace.blinks_s[np.maximum(np.searchsorted(trace.blinks_s[:, 0], start_s) - 1, 0)]
    return behind_lid | (blink[:, 0] < start_s) & (start_s - blink[:, 1] < 2.5 / trace.rate_hz)


@njit(cache=True, nogil=True, fastmath=False)
def _measure(
    t: NDArray[np.float64],
    x: NDArray[np.float64],
    noise: NDArray[np.float64],
    start_s: NDArray[np.float64],
    end_s: NDArray[np.float64],
    breaks_s: NDArray[np.float64],
    correlation: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Start (k,), velocity (k, 3) and standard error (k, 3) of each slow phase."""
    start = start_s.copy()
    velocity, error = np.full((start.size, 3), np.nan), np.full((start.size, 3), np.nan)
    for i in range(start.size):
        last = np.searchsorted(t, end_s[i])
        low = np.searchsorted(breaks_s, start_s[i], side="right")
        high = np.searchsorted(breaks_s, end_s[i])
        since = end_s[i]
        for k in range(high - 1, low - 2, -1):
            piece = breaks_s[k] if k >= low else start_s[i]
            if _turns(t, x, piece, since, last, noise, correlation):
                start[i] = since
                break
            since = piece
        first = np.searchsorted(t, start[i], side="right")
        for axis in range(3):
            known = 0
            for k in range(first, last):
                known += x[k, axis] == x[k, axis]
            if 2 * known >= last - first:
                velocity[i, axis], error[i, axis] = slope_and_error(
                    t[first:last], x[first:last, axis], noise[axis], correlation[axis]
                )
    return start, velocity, error


@njit(cache=True, nogil=True, fastmath=False)
def _turns(
    t: NDArray[np.float64],
    x: NDArray[np.float64],
    piece_s: float,
    since_s: float,
    last: int,
    noise: NDArray[np.float64],
    correlation: NDArray[np.float64],
) -> bool:
    """Whether the velocity from `piece_s` to `since_s` is another one than from there to sample `last`."""
    first, middle = np.searchsorted(t, piece_s, side="right"), np.searchsorted(t, since_s, side="right")
    if (
        middle - first < 3
        or last - middle < 3
        or t[last - 1] - since_s < TURN_S
        or since_s - piece_s < TURN_S
    ):
        return False
    fits = np.zeros((3, 4))  # axis, velocity and error before, velocity and error after
    old, new = 0.0, 0.0
    for axis in range(3):
        for side, (a, b) in enumerate(((first, middle), (middle, last))):
            slope, error = slope_and_error(t[a:b], x[a:b, axis], noise[axis], correlation[axis])
            fits[axis, 2 * side], fits[axis, 2 * side + 1] = slope, error
        if fits[axis, 0] == fits[axis, 0] and fits[axis, 2] == fits[axis, 2]:
            old, new = old + fits[axis, 0] ** 2, new + fits[axis, 2] ** 2
    enough = TURN * np.sqrt(max(old, new))
    for axis in range(3):
        doubt = TURN_ERRORS * np.sqrt(fits[axis, 1] ** 2 + fits[axis, 3] ** 2)
        if abs(fits[axis, 2] - fits[axis, 0]) > max(doubt, enough):  # never where one is missing
            return True
    return False
