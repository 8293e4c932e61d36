"""Findings and words about the shape of slow phases, on the fastest axis of each eye in each step."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.battery.stepwise import Measured
from analysis.estimate import Estimate
from analysis.eye_window import VELOCITY
from analysis.finding import Finding
from analysis.slow_phase_shape import change_of_speed
from capture.samples import AXES

SHAPE = "slow_phase_change"
STRAIGHT_PERCENT = 20.0  # a change within this counts as none (design choice)
SAYS = {
    True: "gain {0:.0f} % of their speed toward the end: fits infantile nystagmus",
    False: "lose {0:.0f} % of their speed toward the end: fits a leaky integrator (gaze-evoked), and large "
    "beats that Alexander's law slows",
}


def shape_findings(measured: Measured) -> tuple[Finding, ...]:
    """One of each eye and step in which a nystagmus is present."""
    found = []
    for (step, eye), part in measured.parts.items():
        there = [
            f
            for f in measured.findings
            if (f.key, f.step, f.eye) == (VELOCITY, step, eye) and f.present and f.value is not None
        ]
        if there:
            fastest = max(there, key=lambda f: abs(f.value or 0.0))
            change = change_of_speed(part.trace, part.accepted, AXES.index(str(fastest.axis)))
            found.append(_finding(fastest, change))
    return tuple(found)


def _finding(velocity: Finding, change: Estimate | str) -> Finding:
    known = None if isinstance(change, str) else change
    return Finding(
        key=SHAPE,
        name="change of speed within slow phases",
        unit="%",
        value=known.value if known else None,
        reason="" if known else str(change),
        step=velocity.step,
        eye=velocity.eye,
        axis=velocity.axis,
        standard_error=known.standard_error if known else None,
        interval=known.interval if known else None,
        accepted=velocity.accepted,
        rejected=velocity.rejected,
        formula="100 (speed at the end - at the beginning) / mean speed, of parabolas, median",
    )


def is_bent(found: Finding) -> bool:
    """Whether slow phases are surely not straight."""
    return (
        found.key == SHAPE
        and found.interval is not None
        and min(abs(end) for end in found.interval) > STRAIGHT_PERCENT
        and found.interval[0] * found.interval[1] > 0
    )


def shape_texts(found: Sequence[Finding]) -> tuple[str, ...]:
    """One sentence where slow phases are surely not straight."""
    return tuple(
        f"{f.step.capitalize()}, {f.eye} eye: slow phases {SAYS[f.value > 0].format(abs(f.value))}."
        for f in found
        if f.value is not None and is_bent(f)
    )
