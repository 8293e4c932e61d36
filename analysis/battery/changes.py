"""How slow-phase velocity changes from one span of a recording to another: what a stimulus did."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.battery.stepwise import Measured
from analysis.estimate import Estimate, error_of, student_factor, with_error
from analysis.eye_window import EyeWindow, why_no_torsion, why_unusable
from analysis.finding import Finding
from analysis.nystagmus import sure_direction
from analysis.procedure import Observed, Window
from analysis.spans import velocity_in
from capture.samples import AXES, Eye

CHANGE = "velocity_change"
RESTS = ("baseline", "rest after ")  # beginnings of the keys of steps in which nothing is done
LEAST_RESTS = 5  # that tell how far an eye strays of itself from one step to another (design choice)
USUAL_VARIATION = 0.25  # SD of a nystagmus from minute to minute, a share, where they do not (design choice)
FORMULA = (
    "velocity with the stimulus - velocity before it; medians of beats, or over time where beats are few"
)


@dataclass(frozen=True, slots=True)
class Compared:
    """A span that is held against a whole step: seconds from the start of its step, or from its end."""

    before: str  # key of the step
    during: str
    from_s: float | None = None  # None: the whole measured part of the step
    to_s: float | None = None
    from_end: bool = False  # `from_s` and `to_s` count back from the end of the step
    key: str = CHANGE
    name: str = "change of slow-phase velocity"

    def span(self, window: Window) -> tuple[float, float]:
        """Start and end of the span, s of the recording."""
        if self.from_s is None or self.to_s is None:
            return window.used_from_s, window.end_s
        if self.from_end:
            return max(window.end_s - self.from_s, window.start_s), window.end_s - self.to_s
        return window.start_s + self.from_s, min(window.start_s + self.to_s, window.end_s)


def change_findings(
    observed: Observed, measured: Measured, compared: Sequence[Compared]
) -> tuple[Finding, ...]:
    """One finding a comparison, eye and axis; every repeat of a step is compared by itself."""
    strays: dict[tuple[Eye, int], _Stray] = {
        (eye, axis): _stray(observed, measured, eye, axis) for eye in measured.marking for axis in range(3)
    }
    return tuple(
        _change(observed, measured, one, window, eye, axis, stray)
        for one in compared
        for window in measured.windows
        if _is(window, one.during)
        for (eye, axis), stray in strays.items()
    )


@dataclass(frozen=True, slots=True)
class _Stray:
    """Standard error that what an eye does of itself from step to step gives a difference of two, deg/s."""

    seen_dps: float  # in its rests; that of measuring them is in it
    usual_dps: float  # of a nystagmus so fast, where rests are few

    def difference(self, value_dps: float, error_dps: float) -> Estimate:
        """Of two velocities measured with an error: the interval says by how much they truly differ.

        The standard error has what a nystagmus may vary of itself in it: beyond it only is a change named.
        """
        measured = with_error(value_dps, max(error_dps, self.seen_dps))
        error = math.hypot(measured.standard_error, self.usual_dps)
        return Estimate(value_dps, error, measured.interval)


def _stray(observed: Observed, measured: Measured, eye: Eye, axis: int) -> _Stray:
    """Of one eye and axis: what lasts as long as a step does not scatter its beats, only rests show it."""
    resting = [measured.parts[w.key, eye] for w in measured.windows if w.key.startswith(RESTS)]
    found = [
        speed.value
        for part in resting
        if not why_unusable(part) and (axis < 2 or not why_no_torsion(part))
        and (speed := velocity_in(
            part.trace, observed.beats[eye], axis, part.window.used_from_s, part.window.end_s
        ))
    ]  # fmt: skip
    if len(found) < LEAST_RESTS:
        return _Stray(0.0, USUAL_VARIATION * math.sqrt(2) * abs(float(np.mean(found))) if found else 0.0)
    return _Stray(student_factor(len(found) - 1) * math.sqrt(2) * float(np.std(found, ddof=1)), 0.0)


def _is(window: Window, key: str) -> bool:
    name, _, number = window.key.rpartition(" ")
    return window.key == key or (name == key and number.isdigit())


def _change(
    observed: Observed, measured: Measured, one: Compared, window: Window, eye: Eye, axis: int, stray: _Stray
) -> Finding:
    marking = measured.marking[eye]
    earlier = [w for w in measured.windows if _is(w, one.before) and w.start_s <= window.start_s]
    if not earlier:
        found: Estimate | str = f"no step {one.before} before"
    else:
        parts = [measured.parts[w.key, eye] for w in (earlier[-1], window)]
        found = _difference(observed, parts, one, axis, stray)
    value = found if isinstance(found, Estimate) else None
    name = sure_direction(AXES[axis], value.interval) if value and marking.direction_proven else ""
    return Finding(
        key=one.key,
        name=one.name,
        unit="deg/s",
        value=value.value if value else None,
        reason="" if value else str(found),
        step=window.key,
        eye=eye,
        axis=AXES[axis],
        standard_error=value.standard_error if value else None,
        interval=value.interval if value else None,
        direction=name,
        marks=marking.marks,
        formula=FORMULA,
    )


def _difference(
    observed: Observed, parts: Sequence[EyeWindow], one: Compared, axis: int, stray: _Stray
) -> Estimate | str:
    speeds = []
    for part, span in zip(
        parts,
        ((parts[0].window.used_from_s, parts[0].window.end_s), one.span(parts[1].window)),
        strict=True,
    ):
        why = why_unusable(part) or (why_no_torsion(part) if axis == 2 and part.accepted else "")
        if why:
            return f"{part.window.key}: {why}"
        beats = [
            b
            for b in observed.beats[part.trace.eye]
            if part.window.start_s <= b.slow_start_s and b.quick_end_s <= part.window.end_s
        ]
        speed = velocity_in(part.trace, beats, axis, *span)
        if speed is None:
            return f"{part.window.key}: the eye was not seen well enough"
        speeds.append(speed)
    error = math.hypot(*(error_of(s.interval) for s in speeds))
    return stray.difference(speeds[1].value - speeds[0].value, error)


def certain(finding: Finding, least_dps: float) -> bool:
    """Whether a change is at least so fast, and beyond three of its standard errors."""
    size = abs(finding.value or 0.0)
    return size >= least_dps and size > 3 * (finding.standard_error or 0.0)


def certain_ways(changes: Sequence[Finding], step: str, axis: str, least_dps: float) -> set[str]:
    """Directions of the certain changes of a step on one axis, one an eye."""
    mine = (f for f in changes if (f.key, f.step, f.axis) == (CHANGE, step, axis))
    return {f.direction for f in mine if certain(f, least_dps)}
