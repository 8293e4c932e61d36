"""What each eye showed in each position, and whether both showed the same."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.battery.stepwise import Measured
from analysis.finding import Finding
from analysis.limits import LIMITS
from analysis.positional_findings import PEAK
from analysis.positional_kinds import KindSettings, Seen, seen
from analysis.positional_responses import HORIZONTAL, Response
from capture.samples import Eye

BEFORE_S = 0.5  # design choice: longer than a blink (clinical 3.7: 0.4 s); what follows may be a reversal


@dataclass(frozen=True, slots=True)
class Positions:
    """All that the words are drawn from."""

    responses: tuple[Response, ...]
    measured: Measured
    rows: Mapping[Eye, NDArray[np.void]]  # as recorded, SAMPLE_DTYPE
    findings: tuple[Finding, ...]
    kinds: KindSettings

    def held(self) -> list[Response]:
        """Responses in positions that were held; sitting up is not."""
        return [r for r in self.responses if r.step is not None and r.step.waits_for_nystagmus]

    def value_of(self, response: Response, key: str, axis: str) -> Finding:
        """A finding of this response."""
        wanted = (key, response.key, response.eye, axis)
        return next(f for f in self.findings if (f.key, f.step, f.eye, f.axis) == wanted)


def healthy_dps(axis: str) -> float:
    """Peak that healthy people do not exceed in a position; torsion, without a limit, as vertical."""
    wanted = "horizontal" if axis == "horizontal" else "vertical"
    return next(row.high for row in LIMITS if row.measure == PEAK and wanted in row.axes)


def one_for_all(shown: Sequence[Seen]) -> Seen | str | None:
    """The one of several eyes' nystagmus that stands for all, or why none does; None without any.

    An eye whose torsion or horizontal direction is not known agrees with one whose is.
    """
    if not shown:
        return None
    before_s = max(s.came_before_s for s in shown)
    if before_s >= BEFORE_S:
        return f"few beats the other way ({before_s:.1f} s), but faster, came first: no pattern is named"
    best = min(shown, key=lambda s: ("not known" in s.kind, s.horizontal_to is None))
    for other in shown:
        way = best.kind.removeprefix("pure ").split()[0]
        same = other.kind in (best.kind, f"{way}, torsion not known")
        any_side = best.kind in ("pure up", "pure down") or None in (best.torsional_to, other.torsional_to)
        torsion = any_side or best.torsional_to == other.torsional_to
        level = best.kind != "horizontal" or other.horizontal_to in (best.horizontal_to, None)
        if not (same and torsion and level):
            return (
                f"the eyes differ ({best.eye}: {best.kind}, {other.eye}: {other.kind}): no pattern is named"
            )
    return best


def shown_in(positions: Positions, key: str) -> list[Seen]:
    """What each eye with nystagmus showed in a position."""
    found = (seen(r, positions.kinds) for r in positions.responses if r.key == key)
    return [s for s in found if s is not None]


def seen_alone(positions: Positions, key: str) -> bool:
    """Whether one of two eyes that were assessed shows no nystagmus: canals move both."""
    able = [r for r in positions.responses if r.key == key and not r.reasons[HORIZONTAL]]
    return len(able) > len(shown_in(positions, key))


def is_slow(positions: Positions, shown: Seen) -> bool:
    """Whether it stays within what healthy people show, or what the baseline's nystagmus does by itself.

    Without degrees the former cannot be told.
    """
    if shown.of_baseline:
        return True
    if not positions.measured.marking[shown.eye].calibrated:
        return False
    return shown.speed_dps <= healthy_dps("horizontal" if shown.kind == "horizontal" else "vertical")
