"""The time constant of the neural integrator, from one eccentric gaze and the centre."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from analysis.estimate import Estimate, error_of, with_error
from analysis.eye_window import EyeWindow, why_unusable
from analysis.finding import Finding
from analysis.gaze import integrator_time_constant_s
from analysis.nystagmus import gazes
from analysis.spans import velocity_in


def tau_finding(
    finding: Finding, part: EyeWindow, axis: int, target_deg: float, centre: EyeWindow | None
) -> Finding:
    """Time constant at the place where the eye was held on the mean: short of the target, for it drifts.

    What the eye does at the centre too is none of the integrator's: it is taken off, with its uncertainty.
    """
    finding = replace(finding, formula="|mean place of the eye| / |slow-phase velocity toward the centre|")
    speed, place_deg = _held(part, axis)
    if speed is None:
        return replace(finding, reason="the eye was not seen well enough")
    if not place_deg * target_deg > 0:
        return replace(finding, reason="the eye was not held to the side of the target")
    still, still_deg = (None, 0.0) if centre is None or why_unusable(centre) else _held(centre, axis)
    if still is not None:
        finding = replace(finding, formula=f"{finding.formula}, those at the centre taken off")
        error = math.hypot(error_of(speed.interval), error_of(still.interval))
        speed, place_deg = with_error(speed.value - still.value, error), place_deg - still_deg
    if not _sure(speed):
        return replace(finding, reason="the drift is not certain")
    tau = integrator_time_constant_s(place_deg, speed.value)
    if tau is None:
        return replace(finding, reason="the eye does not drift toward the centre")
    low, high = sorted(abs(place_deg / end) for end in speed.interval)
    return replace(
        finding,
        value=tau,
        reason="",
        standard_error=tau * speed.standard_error / abs(speed.value),
        interval=(low, high),
    )


def _held(part: EyeWindow, axis: int) -> tuple[Estimate | None, float]:
    """Slow-phase velocity while the gaze was held, and where the eye was on the mean."""
    span = part.window.used_from_s, part.window.end_s
    place_deg = float(gazes(part.trace, np.array([span[0]]), np.array([span[1]]))[0, axis])
    return velocity_in(part.trace, part.accepted, axis, *span), place_deg


def _sure(speed: Estimate) -> bool:
    return abs(speed.value) > 3 * speed.standard_error and speed.interval[0] * speed.interval[1] > 0
