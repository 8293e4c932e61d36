"""What kind of nystagmus the three axes of one response make: horizontal, of a vertical canal, pure.

Excitation of a posterior canal beats up, of an anterior canal down, both with the upper pole toward the
excited ear; the slow phase turns about the axis of the canal (Leigh & Zee; Cohen, Suzuki & Bender 1964; from
memory). Pure vertical or pure torsional nystagmus comes from no single canal, and is said to be pure only
where the missing axis was measured near zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.positional_responses import HORIZONTAL, TORSIONAL, VERTICAL, Response, Triple
from capture.samples import Eye

# Of the peak. Free debris fades within seconds (14.8 +- 7.5 s at the slowest: Front Neurol 2020;11:260,
# abstract), so that less than this is left after the shortest hold, 30 s (design choice).
STAYS_SHARE = 0.5
Kind = Literal[
    "horizontal",
    "up and torsional",
    "down and torsional",
    "pure up",
    "pure down",
    "pure torsional",
    "up, torsion not known",
    "down, torsion not known",
    "mixed",
]


@dataclass(frozen=True, slots=True)
class KindSettings:
    """Shares of the length of the slow-phase vector. Design choices.

    Published canal axes lie far from these bounds: a posterior canal has shares of about 0.27 horizontal,
    0.67 vertical and 0.69 torsional, an anterior one 0.18, 0.79 and 0.59, a horizontal one 0.95, 0.04 and
    0.32 (Della Santina et al., J Assoc Res Otolaryngol 2005;6:191-206, from memory).
    """

    horizontal_share: float = 0.7  # at least: horizontal
    near_zero_share: float = 0.2  # an axis within this, error included, is near zero
    slanted_share: float = 0.4  # a horizontal part beyond this makes a vertical nystagmus oblique
    errors: float = 2.0  # standard errors added to a share that has to be near zero
    sure_errors: float = 3.29  # standard errors by which a share must differ from 0 to name a side (99.9 %)
    beside_share: float = 0.5  # a horizontal part beyond this beside a vertical canal: more than one canal?


@dataclass(frozen=True, slots=True)
class Seen:
    """One eye's nystagmus in one position, as the patterns are told from it."""

    key: str  # of the window
    eye: Eye
    ear_down: Eye | None
    kind: Kind
    horizontal_to: Eye | None  # side to which the quick phase goes; None: no horizontal part
    torsional_to: Eye | None  # ear to which the upper pole beats
    more_than_one: bool  # a large horizontal part beside a vertical canal's
    speed_dps: float  # peak on the main axis
    lasts_s: float  # or was seen to last
    still_runs: bool
    latency_s: float | None
    came_before_s: float = 0.0  # slow phases the other way, faster, of beats too few to tell their course
    stays: bool = False  # still runs as the position ends, at more than `STAYS_SHARE` of its peak
    of_baseline: bool = False  # no more than nystagmus of the baseline does by itself


def kind_of(shares: Triple, errors: Triple, settings: KindSettings | None = None) -> Kind:
    """Kind from the direction of the slow phase (unit length) and its standard errors.

    Torsion is NaN where it is not known.

    Raises ValueError where the horizontal or vertical share is not finite.
    """
    chosen = settings or KindSettings()
    if not all(map(math.isfinite, shares[:2])):
        raise ValueError(f"shares must be finite, but for torsion, got {shares}")
    absent = [
        abs(share) + chosen.errors * error <= chosen.near_zero_share
        for share, error in zip(shares, errors, strict=True)
    ]
    if abs(shares[HORIZONTAL]) >= chosen.horizontal_share:
        return "horizontal"
    if absent[VERTICAL]:
        return "pure torsional" if absent[HORIZONTAL] else "mixed"
    return _vertical(shares, errors, absent[TORSIONAL], chosen)


def _vertical(shares: Triple, errors: Triple, no_torsion: bool, settings: KindSettings) -> Kind:
    up = shares[VERTICAL] < 0  # the quick phase goes against the slow one
    if no_torsion:
        if abs(shares[HORIZONTAL]) > settings.slanted_share:
            return "mixed"
        return "pure up" if up else "pure down"
    if not abs(shares[TORSIONAL]) > settings.sure_errors * errors[TORSIONAL]:  # NaN, or too uncertain
        return "up, torsion not known" if up else "down, torsion not known"
    return "up and torsional" if up else "down and torsional"


def seen(response: Response, settings: KindSettings | None = None) -> Seen | None:
    """What a response shows; None without nystagmus."""
    axis, direction = response.main_axis, response.direction()
    peak = None if axis is None else response.peak(axis)
    if axis is None or direction is None or peak is None:
        return None
    shares, errors = direction
    chosen = settings or KindSettings()
    latency = response.latency(axis)
    return Seen(
        key=response.key,
        eye=response.eye,
        ear_down=response.ear_down,
        kind=kind_of(shares, errors, chosen),
        horizontal_to=_side(shares[HORIZONTAL], errors[HORIZONTAL], chosen),
        torsional_to=_side(shares[TORSIONAL], errors[TORSIONAL], chosen),
        more_than_one=abs(shares[HORIZONTAL]) > chosen.beside_share,
        speed_dps=abs(peak.value),
        lasts_s=response.lasts_at_least_s(axis),
        still_runs=response.still_runs(axis),
        latency_s=None if isinstance(latency, str) else latency.value,
        came_before_s=response.came_before_s(),
        stays=_stays(response, axis),
        of_baseline=response.is_of_baseline(),
    )


def _stays(response: Response, axis: int) -> bool:
    run = response.run(axis)
    if run is None or not response.still_runs(axis):
        return False
    return abs(float(run.envelope_dps[-1])) > STAYS_SHARE * float(np.max(np.abs(run.envelope_dps)))


def _side(share: float, error: float, settings: KindSettings) -> Eye | None:
    """Where the quick phase goes that answers a slow phase: to the right for a negative one."""
    if not abs(share) > settings.sure_errors * error:
        return None
    return "right" if share < 0 else "left"
