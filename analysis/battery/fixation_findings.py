"""What fixation does to a nystagmus as findings: the index and the reduction, always both."""

from __future__ import annotations

from dataclasses import replace

from analysis.battery.stimulus_findings import of_estimate
from analysis.estimate import error_of
from analysis.finding import Finding
from analysis.fixation import (
    FORMULA_INDEX,
    FORMULA_REDUCTION,
    LEAST_VELOCITY_DPS,
    absolute_reduction,
    fixation_index,
)
from capture.samples import Eye

Speed = tuple[float, tuple[float, float] | None]  # slow-phase velocity, deg/s, and its 95 % interval


def index_and_reduction(
    eye: Eye, axis: str, speeds: tuple[Speed, Speed] | str, marks: tuple[str, ...] = ()
) -> tuple[Finding, Finding]:
    """Both findings from the speeds in the dark and with fixation, or from why there are none."""
    index = Finding(
        "fixation_index", "fixation index", "", reason="-", eye=eye, axis=axis, formula=FORMULA_INDEX
    )
    reduction = replace(
        index, key="fixation_reduction", name="reduction by fixation", unit="deg/s", formula=FORMULA_REDUCTION
    )
    if isinstance(speeds, str):
        return replace(index, reason=speeds), replace(reduction, reason=speeds)
    (dark_dps, dark), (lit_dps, lit) = speeds
    known = (dark_dps, lit_dps, error_of(dark), error_of(lit))
    ratio = fixation_index(*known) or f"below {LEAST_VELOCITY_DPS:g} deg/s in the dark"
    less = absolute_reduction(*known)
    return of_estimate(replace(index, marks=marks), ratio), of_estimate(replace(reduction, marks=marks), less)
