"""The alternate cover test: how far an eye moves when it takes up fixation, and which eye is higher."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.estimate import must_be_finite
from analysis.nystagmus import samples_in
from analysis.trace import Trace
from capture.samples import Eye

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CoverSettings:
    """Seconds about a change of the cover; design choices."""

    before_s: float = 0.5  # at the end of the cover before
    taken_up_s: float = 0.7  # after the change the other eye fixates at the latest (latency, and a saccade)
    least_seen: float = 0.5  # of each span


class Uncovering(NamedTuple):
    """The cover goes to the other eye: from `at_s` on `eye` sees until `until_s`, the other before."""

    at_s: float
    until_s: float
    eye: Eye


def uncoverings(start_s: float, end_s: float, covered_s: float) -> tuple[Uncovering, ...]:
    """Changes of a cover that stays `covered_s` on each eye, right eye first.

    Raises ValueError for a time that is not above 0, and for a start or end that is not finite.

    >>> [(u.at_s, u.eye) for u in uncoverings(10.0, 16.0, 2.0)]
    [(12.0, 'right'), (14.0, 'left')]
    """
    if not (math.isfinite(covered_s) and covered_s > 0):
        raise ValueError(f"covered_s must be finite and above 0, got {covered_s}")
    must_be_finite(start_s=start_s, end_s=end_s)
    count = int((end_s - start_s) / covered_s + 1e-6)
    edges = [start_s + k * covered_s for k in range(1, count)]
    return tuple(
        Uncovering(at, at + covered_s, "right" if k % 2 == 0 else "left") for k, at in enumerate(edges)
    )


def refixations(
    trace: Trace, changes: Sequence[Uncovering], axis: int, settings: CoverSettings | None = None
) -> Floats:
    """(n,) movement of an eye with each change, deg, positive to the right or up; NaN where it was not seen.

    Median position once the other eye fixates, less that before the change.
    """
    settings = settings or CoverSettings()
    found = np.full(len(changes), np.nan)
    for k, change in enumerate(changes):
        before = _level(trace, axis, change.at_s - settings.before_s, change.at_s, settings.least_seen)
        after = _level(trace, axis, change.at_s + settings.taken_up_s, change.until_s, settings.least_seen)
        found[k] = after - before
    return found


def _level(trace: Trace, axis: int, start_s: float, end_s: float, least_seen: float) -> float:
    part = samples_in(trace, start_s, end_s)
    seen = trace.position_deg[part, axis][trace.valid[part]]
    if not seen.size >= max(least_seen * (end_s - start_s) * trace.rate_hz, 3):
        return math.nan
    return float(np.median(seen))


def deviations(own: Floats, changes: Sequence[Uncovering]) -> Floats:
    """Right less left eye (n,) that the movements of an eye tell, in order of time: which one is higher.

    When the right eye takes up fixation both eyes move by what it was off, with its sign turned; when the
    left one does, both move by as much the other way (Hering's law: both eyes tell the same).

    Raises ValueError where `own` has not one value a change.

    >>> changes = uncoverings(0.0, 6.0, 2.0)
    >>> deviations(np.array([-3.0, 3.0]), changes)
    array([3., 3.])
    """
    if own.shape != (len(changes),):
        raise ValueError(f"own must have one value a change ({len(changes)}), got shape {own.shape}")
    return np.array([-v if c.eye == "right" else v for v, c in zip(own.tolist(), changes, strict=True)])
