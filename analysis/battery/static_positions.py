"""In how many static positions there was nystagmus: that counts beside how fast it was."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from analysis.battery.stimulus_findings import Place, counted
from analysis.eye_window import VELOCITY
from analysis.finding import Finding
from analysis.limits import judge
from analysis.procedure import Observed, Result
from capture.samples import AXES, Eye

COUNT = "positions_with_nystagmus"
COUNTED_AXES = (0, 1)  # torsion has no limit


def with_positions(analyse: Callable[[Observed], Result], observed: Observed) -> Result:
    """What a positional test says of each position, and in how many of them nystagmus was present."""
    result = analyse(observed)
    eyes: list[Eye] = list(observed.traces)
    found = [judge(_count(result, eye, axis), "lying", observed.age) for eye in eyes for axis in COUNTED_AXES]
    return replace(result, findings=(*result.findings, *found), fits=(*result.fits, *_words(found)))


def _words(found: Sequence[Finding]) -> list[str]:
    """What goes beyond healthy people, one text an axis."""
    texts = []
    for axis in COUNTED_AXES:
        many = [f for f in found if f.axis == AXES[axis] and f.verdict == "outside"]
        if many and (limit := many[0].limit) is not None:
            there = " and ".join(f"{f.value:.0f} positions ({f.eye} eye)" for f in many)
            texts.append(
                f"{AXES[axis].capitalize()} nystagmus in {there}: more than healthy people show it in (at "
                f"most {limit.high:g}: {limit.citation}). It names neither a side nor a place (common "
                "practice, no source)."
            )
    return texts


def _count(result: Result, eye: Eye, axis: int) -> Finding:
    mine = [f for f in result.findings if (f.key, f.eye, f.axis) == (VELOCITY, eye, AXES[axis])]
    marks = tuple(dict.fromkeys(m for f in mine for m in f.marks))
    there = sum(bool(f.present) for f in mine)
    missing = sum(f.present is None and not f.no_beats for f in mine)
    why = f"{missing} of {len(mine)} positions not assessed, nystagmus in {there}" if missing else "-"
    blank = Place("", eye, axis, marks).finding(COUNT, "positions with nystagmus", "positions", why)
    return blank if missing else counted(blank, there)
