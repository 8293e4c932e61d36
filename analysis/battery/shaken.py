"""Beats that shaking the head leaves behind: how many of the first 20 s go beyond what was there before."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv

from analysis.battery.changes import USUAL_VARIATION
from analysis.battery.stepwise import Measured
from analysis.beats import Beat
from analysis.eye_window import EyeWindow, why_no_torsion, why_unusable
from analysis.finding import Finding
from analysis.nystagmus import sure_direction
from analysis.spans import velocity_in
from capture.samples import AXES

BEATS = "beats_after_shaking"
FIRST_S = 20.0
LEAST_BEATS = 5  # in the first 20 s: common practice, no source (clinical reference 13)
BEYOND_DPS, BEYOND_SCATTERS = 1.0, 2.0  # SDs of beats at rest and of what they vary of themselves (a choice)
SHAKEN, REST = "after head shaking", "baseline"


def shaken_beats(measured: Measured) -> tuple[Finding, ...]:
    """One finding an eye and axis: the larger number of beats to one side, and which side that is."""
    return tuple(
        _counted(measured.parts.get((REST, part.trace.eye)), part, axis)
        for (key, _), part in measured.parts.items()
        if key == SHAKEN
        for axis in range(3)
    )


def _counted(rest: EyeWindow | None, part: EyeWindow, axis: int) -> Finding:
    whole = Finding(
        BEATS,
        "beats of the first 20 s beyond those at rest",
        "",
        reason="-",
        step=SHAKEN,
        eye=part.trace.eye,
        axis=AXES[axis],
        formula="slow phases faster than at rest by 1 deg/s and by 2 standard deviations of what it varies",
    )
    why = "no step baseline before" if rest is None else why_unusable(rest) or why_unusable(part)
    if axis == 2 and not why and part.accepted:
        why = why_no_torsion(part)
    if rest is None or why:
        return replace(whole, reason=why)
    before = velocity_in(rest.trace, rest.accepted, axis, rest.window.used_from_s, rest.window.end_s)
    if before is None:
        return replace(whole, reason=f"{REST}: the eye was not seen well enough")
    start_s = part.window.start_s
    after = _speeds([b for b in part.accepted if b.slow_start_s < start_s + FIRST_S], axis) - before.value
    still = _speeds(rest.accepted, axis)
    varies = USUAL_VARIATION * math.sqrt(2) * abs(before.value)
    scatter = math.hypot(float(np.std(still)) if len(still) > 1 else 0.0, varies)
    least = max(BEYOND_DPS, BEYOND_SCATTERS * scatter)
    up, down = int(np.count_nonzero(after > least)), int(np.count_nonzero(after < -least))
    word = sure_direction(AXES[axis], lean(up, down)) if part.marking.direction_proven else ""
    return replace(whole, reason="", value=float(max(up, down)), direction=word)


def lean(up: int, down: int) -> tuple[float, float]:
    """95 % interval of the share of slow phases up less that down, of Jeffreys (from memory: Brown, 2001)."""
    low, high = (2 * float(betaincinv(up + 0.5, down + 0.5, p)) - 1 for p in (0.025, 0.975))
    return low, high


def _speeds(beats: Sequence[Beat], axis: int) -> NDArray[np.float64]:
    return np.array([v for b in beats if math.isfinite(v := b.slow_phase_velocity_dps[axis])])
