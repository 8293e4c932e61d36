"""Null point: head angles from 40 degrees left to 40 right, and the angle at which a nystagmus stops."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace

from analysis.battery.stimulus_findings import Place, of_estimate
from analysis.estimate import Estimate
from analysis.finding import Finding
from analysis.null_angle import null_angle
from analysis.nystagmus_findings import DRIFT, VELOCITY
from analysis.procedure import Observed, Result
from capture.samples import AXES, Eye

NULL = "null_angle"
ANGLE = re.compile(r"(\d+) degrees (right|left)")
FORMULA = "where horizontal velocity, straight between neighbouring head angles, passes 0"
BASELINE = "baseline"


def with_null_angle(analyse: Callable[[Observed], Result], observed: Observed) -> Result:
    """What a positional test says of each angle, and the null angle of each eye; positive: head right."""
    result = analyse(observed)
    eyes: list[Eye] = list(observed.traces)
    found = [_of_eye(result.findings, eye) for eye in eyes]
    words = [
        f"{str(f.eye).capitalize()} eye: null point "
        + (f"not assessed ({f.reason})." if f.value is None else f"at {_told(f.value)}.")
        for f in found
    ]
    return replace(result, findings=(*result.findings, *found), conclusions=(*result.conclusions, *words))


def _told(angle_deg: float) -> str:
    return f"{abs(angle_deg):.0f} deg with the head to the {'right' if angle_deg > 0 else 'left'}"


def _of_eye(findings: Sequence[Finding], eye: Eye) -> Finding:
    mine = [f for f in findings if f.eye == eye and f.axis == AXES[0] and f.key in (VELOCITY, DRIFT)]
    speeds: dict[float, Finding] = {}
    for f in mine:
        angle = _angle(f.step)
        if angle is not None and f.value is not None and f.standard_error is not None:
            speeds.setdefault(angle, f)
    marks = tuple(dict.fromkeys(m for f in speeds.values() for m in f.marks))
    blank = Place("", eye, 0, marks).finding(NULL, "head angle of the null point", "head deg", "-", FORMULA)
    angles = sorted(speeds)
    known = [speeds[angle] for angle in angles]
    value: Estimate | str = null_angle(
        angles, [f.value or 0.0 for f in known], [f.standard_error or 0.0 for f in known]
    )
    return replace(of_estimate(blank, value), accepted=sum(f.accepted or 0 for f in known))


def _angle(step: str) -> float | None:
    """Angle of the head that the key of a step names, deg; None where it names none."""
    if step == BASELINE:
        return 0.0
    match = ANGLE.fullmatch(step)
    return None if match is None else float(match[1]) * (1 if match[2] == "right" else -1)
