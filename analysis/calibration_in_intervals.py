"""What the calibration leaves uncertain, put into the intervals of everything that is in degrees.

A gain that is off and axes that leak into others are the same for all beats of a recording: they do not
average out, so they join the interval by their squares. Where one value is held against another of the same
recording in percent, the gain cancels and nothing is added; in the peak velocity at one amplitude it cancels
as far as the main sequence rises evenly.
"""

from __future__ import annotations

import math
import re
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.estimate import Z_95
from analysis.eye_window import AMPLITUDE, VELOCITY
from analysis.finding import Finding
from analysis.main_sequence import share_of_gain
from analysis.positional_findings import DURATION, PEAK, TIME_CONSTANT
from capture.calibration import Calibration
from capture.calibration_error import motion_errors
from capture.samples import AXES, EYES, Eye

Floats = NDArray[np.float64]
Known = Mapping[tuple[str, str, Eye | None, str | None], float]  # value by key, step, eye, axis
EYE_DIFFERENCE, INTEGRATOR = "eye_difference", "integrator_time_constant"
GAINS = (  # degrees of the eye over degrees of a stimulus
    "saccade_gain",
    "pursuit_gain",
    "optokinetic_gain",
    "alexander_slope",
)
SACCADE_PEAK = re.compile(r"saccade_peak_(\d+)_(\w+)")  # amplitude, deg; way
CONSTANT = "main_sequence_constant"
HELD = "The interval holds the scatter of the beats and what the calibration leaves uncertain."
NOT_HELD = (
    "The interval holds the scatter of the beats, not the error of the calibration, which the recording "
    "does not state."
)


def errors_of(calibrations: Mapping[Eye, Calibration]) -> dict[Eye, tuple[str, Floats]]:
    """Of each eye whose calibration says how wrong it may be: its name, and what it gets wrong (k, 3, 3)."""
    found = {}
    for eye, calibration in calibrations.items():
        if getattr(calibration, "covariance", None):
            errors = motion_errors(calibration)
            if errors is not None:
                found[eye] = f"{zlib.crc32(errors.tobytes()):08x}", errors
    return found


def with_calibration(
    findings: Sequence[Finding], errors: Mapping[Eye, tuple[str, Floats]]
) -> tuple[Finding, ...]:
    """The findings of one recording with the calibration's error in their intervals."""
    known: Known = {(f.key, f.step, f.eye, f.axis): f.value for f in findings if f.value is not None}
    return tuple(_widened(f, known, errors) for f in findings)


def widened(finding: Finding, error: float, calibration: str = "") -> Finding:
    """The finding with a further, independent standard error in its interval."""
    if finding.value is None or finding.interval is None:
        return finding
    below, above = (abs(end - finding.value) for end in finding.interval)
    low = finding.value - math.hypot(below, Z_95 * error)
    high = finding.value + math.hypot(above, Z_95 * error)
    return replace(finding, interval=(low, high), calibration_error=error, calibration=calibration)


def note(findings: Sequence[Finding]) -> str:
    """Whether the intervals of velocities hold the calibration's error, as a sentence; "" without any."""
    asked = [f for f in findings if f.unit == "deg/s" and f.interval is not None]
    if not asked:
        return ""
    return HELD if all(f.calibration_error is not None for f in asked) else NOT_HELD


def _widened(finding: Finding, known: Known, errors: Mapping[Eye, tuple[str, Floats]]) -> Finding:
    if finding.value is None or finding.interval is None or finding.axis is None:
        return finding
    if finding.key == EYE_DIFFERENCE:
        if not all(eye in errors for eye in EYES):
            return finding
        each = (_error(finding, VELOCITY, eye, known, errors[eye][1]) for eye in EYES)
        return widened(finding, math.hypot(*each))
    if finding.eye is None or finding.eye not in errors:
        return finding
    name, own = errors[finding.eye]
    if finding.key == INTEGRATOR:
        speed = known.get((VELOCITY, finding.step, finding.eye, finding.axis), 0.0)
        error = _error(finding, VELOCITY, finding.eye, known, own)
        return widened(finding, finding.value * error / abs(speed), name) if speed else finding
    if finding.key == DURATION:
        return widened(finding, _late(finding, finding.eye, known, own), name)
    if finding.key.startswith(GAINS):
        own_axis = own[:, AXES.index(finding.axis), AXES.index(finding.axis)]
        return widened(finding, abs(finding.value) * float(np.linalg.norm(own_axis)), name)
    if finding.unit not in ("deg", "deg/s"):
        return finding
    error = _error(finding, finding.key, finding.eye, known, own)
    if peak := SACCADE_PEAK.fullmatch(finding.key):
        constant = known.get((f"{CONSTANT}_{peak[2]}", finding.step, finding.eye, finding.axis))
        error *= 1.0 if constant is None else share_of_gain(float(peak[1]), constant)
    return widened(finding, error, name)


def _late(finding: Finding, eye: Eye, known: Known, errors: Floats) -> float:
    """Standard error, s, of when a fading nystagmus passes 1 deg/s: tau times its speed's relative error.

    One nystagmus fades with one time constant, though not every axis tells it.
    """
    peak = known.get((PEAK, finding.step, eye, finding.axis))
    tau_s = max(known.get((TIME_CONSTANT, finding.step, eye, axis), 0.0) for axis in AXES)
    return tau_s * _error(finding, PEAK, eye, known, errors) / abs(peak) if peak else 0.0


def _error(finding: Finding, key: str, eye: Eye, known: Known, errors: Floats) -> float:
    """Standard error that the calibration leaves of a measure on one axis."""
    axis = AXES.index(finding.axis or AXES[0])
    moved = np.array([known.get((key, finding.step, eye, name), 0.0) for name in AXES])
    parts = errors[:, axis, :] * moved
    if key == AMPLITUDE:  # sizes without a sign: how the axes go together is not known
        return float(np.linalg.norm(parts))
    return float(np.linalg.norm(parts.sum(axis=1)))
