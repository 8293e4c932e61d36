"""Macrosaccadic oscillations: saccades that straddle the target, growing and then shrinking.

Each takes the eye from one side of the target to the other, where it rests for about 200 ms (clinical
reference 1.7); a square-wave jerk leaves the target and comes back to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.estimate import must_be_finite
from analysis.nystagmus import samples_in
from analysis.phases import find_phases
from analysis.trace import Trace

Floats = NDArray[np.float64]
NEAR_S = 0.2  # of a saccade's ends


@dataclass(frozen=True, slots=True)
class OscillationSettings:
    """Clinical reference 1.7 for what they are; the numbers are design choices."""

    beyond_deg: float = 0.5  # of the target, on both sides
    rest_s: tuple[float, float] = (0.06, 0.45)  # between two saccades, about 0.2 s
    least_crossings: int = 4  # in a row, so that an error that is corrected twice is none
    grows: float = 1.5  # the largest over the smallest of a run: square-wave jerks are alike


@dataclass(frozen=True, slots=True)
class Oscillation:
    """One run of saccades across the target."""

    start_s: float
    end_s: float
    saccades: int
    largest_deg: float


def macrosaccadic_oscillations(
    trace: Trace, start_s: float, end_s: float, settings: OscillationSettings | None = None
) -> tuple[Oscillation, ...]:
    """Runs of horizontal saccades across a target straight ahead that begin in the span, in order of time.

    Raises ValueError for a start or end that is not finite.
    """
    must_be_finite(start_s=start_s, end_s=end_s)
    settings = settings or OscillationSettings()
    fast = find_phases(trace).fast
    rests_s = fast["start_s"][1:] - fast["end_s"][:-1]
    rested = (settings.rest_s[0] <= rests_s) & (rests_s <= settings.rest_s[1])
    place = _between(trace, fast)
    beyond = np.abs(place) > settings.beyond_deg
    crosses = beyond[:-1] & beyond[1:] & (place[:-1] * place[1:] < 0)
    found: list[Oscillation] = []
    run: list[int] = []
    for k, across in enumerate([*crosses.tolist(), False]):
        goes_on = across and (not run or bool(rested[k - 1]))
        if not goes_on:
            found += _run(fast, run, settings)
        run = [*run, k] if goes_on else [k] if across else []
    return tuple(one for one in found if start_s <= one.start_s < end_s)


def _between(trace: Trace, fast: NDArray[np.void]) -> Floats:
    """Median horizontal position before each saccade and after the last, deg; NaN where none was seen."""
    found = []
    for after_s, before_s in zip(np.r_[-np.inf, fast["end_s"]], np.r_[fast["start_s"], np.inf], strict=True):
        # What lies farther off than this may be where the eye was before it wandered.
        ends = (after_s, min(after_s + NEAR_S, before_s)), (max(before_s - NEAR_S, after_s), before_s)
        places = [
            trace.position_deg[part, 0][trace.valid[part]] for part in (samples_in(trace, *e) for e in ends)
        ]
        near = np.concatenate(places)
        found.append(np.median(near) if near.size else np.nan)
    return np.array(found)


def _run(fast: NDArray[np.void], run: list[int], settings: OscillationSettings) -> list[Oscillation]:
    """The run as an oscillation, or nothing where it is too short or all alike."""
    sizes = np.abs(fast["amplitude_deg"][run, 0])
    if len(run) < settings.least_crossings or sizes.max() < settings.grows * sizes.min():
        return []
    start_s, end_s = float(fast["start_s"][run[0]]), float(fast["end_s"][run[-1]])
    return [Oscillation(start_s, end_s, len(run), float(sizes.max()))]
