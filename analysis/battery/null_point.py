"""Null point: head angles from 40 degrees left to 40 right, and the angle at which a nystagmus stops."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

from analysis.battery.stimulus_findings import Place, of_estimate
from analysis.estimate import Estimate
from analysis.eye_window import DRIFT, VELOCITY
from analysis.finding import Finding
from analysis.null_angle import null_angle
from analysis.procedure import Observed, Result
from analysis.spans import velocity_in
from capture.samples import AXES, Eye

NULL = "null_angle"
ANGLE = re.compile(r"(\d+) degrees (right|left)")
FORMULA = "where horizontal velocity, straight between neighbouring head angles, passes 0"
BASELINE = "baseline"


def with_null_angle(analyse: Callable[[Observed], Result], observed: Observed) -> Result:
    """What a positional test says of each angle, and the null angle of each eye; positive: head right."""
    result = analyse(observed)
    eyes: list[Eye] = list(observed.traces)
    found = [_of_eye(observed, result, eye) for eye in eyes]
    words = [
        f"{str(f.eye).capitalize()} eye: null point "
        + (f"not assessed ({f.reason})." if f.value is None else f"at {_told(f.value)}.")
        for f in found
    ]
    return replace(result, findings=(*result.findings, *found), conclusions=(*result.conclusions, *words))


def _told(angle_deg: float) -> str:
    return f"{abs(angle_deg):.0f} deg with the head to the {'right' if angle_deg > 0 else 'left'}"


def _of_eye(observed: Observed, result: Result, eye: Eye) -> Finding:
    """Of the velocities at all angles where there is one.

    Near the null beats are too small to be found, or only the largest are: what the beats at other angles
    tell of their frequency is heeded.
    """
    mine = [f for f in result.findings if f.eye == eye and f.axis == AXES[0] and f.key in (VELOCITY, DRIFT)]
    known = {
        angle: f for f in reversed(mine) if f.value is not None and (angle := _angle(f.step)) is not None
    }
    windows = {w.key: w for w in result.windows}
    speeds: dict[float, Estimate] = {}
    for angle in sorted(known):
        window = windows[known[angle].step]
        span = (window.used_from_s, window.end_s)
        if speed := velocity_in(observed.traces[eye], observed.beats[eye], 0, *span):
            speeds[angle] = speed
    marks = tuple(dict.fromkeys(m for f in known.values() for m in f.marks))
    blank = Place("", eye, 0, marks).finding(NULL, "head angle of the null point", "head deg", "-", FORMULA)
    value = null_angle(
        list(speeds), [s.value for s in speeds.values()], [s.interval for s in speeds.values()]
    )
    return replace(of_estimate(blank, value), accepted=sum(f.accepted or 0 for f in known.values()))


def _angle(step: str) -> float | None:
    """Angle of the head that the key of a step names, deg; None where it names none."""
    if step == BASELINE:
        return 0.0
    match = ANGLE.fullmatch(step)
    return None if match is None else float(match[1]) * (1 if match[2] == "right" else -1)
