"""Whether slow phases keep their speed: straight, losing it, or gaining it.

Vestibular slow phases are straight; those of a leaky integrator lose speed toward their end, those of
infantile nystagmus gain it (Leigh & Zee, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.beats import Beat
from analysis.estimate import Estimate
from analysis.nystagmus import middle
from analysis.trace import Trace

Floats = NDArray[np.float64]
MOST, LEAST = 60, 8  # beats that are looked at, evenly drawn; fewer tell nothing
LEAST_SAMPLES = 8
EDGE = 0.1  # of a slow phase at both ends is left out: quick phases end and begin there
CERTAIN = 3.0  # standard errors of a velocity, for its change to be told


def change_of_speed(trace: Trace, beats: Sequence[Beat], axis: int) -> Estimate | str:
    """100 (speed at the end - at the beginning) / mean speed of the accepted beats, median; or why not.

    Each slow phase is x = a + b t + c t^2: its speed changes by 2 c T / b.
    """
    sure = [
        b
        for b in beats
        if b.accepted and abs(b.slow_phase_velocity_dps[axis]) > CERTAIN * b.slow_phase_velocity_se_dps[axis]
    ]
    drawn = [sure[k] for k in np.unique(np.linspace(0, len(sure) - 1, MOST).astype(int))] if sure else []
    found = [share for b in drawn if (share := _change(trace, b, axis)) is not None]
    if len(found) < LEAST:
        return f"{len(found)} beats certain enough, {LEAST} needed"
    centre = middle(100 * np.array(found), np.full(len(found), np.nan))
    return Estimate(centre.median, centre.standard_error, centre.interval)


def _change(trace: Trace, beat: Beat, axis: int) -> float | None:
    """Of one slow phase, as a share; None with too few samples."""
    lasts_s = beat.slow_end_s - beat.slow_start_s
    first, last = np.searchsorted(
        trace.time_s, (beat.slow_start_s + EDGE * lasts_s, beat.slow_end_s - EDGE * lasts_s)
    )
    good = (trace.torsion_valid if axis == 2 else trace.valid)[first:last]
    if np.count_nonzero(good) < LEAST_SAMPLES:
        return None
    time = trace.time_s[first:last][good] - (beat.slow_start_s + beat.slow_end_s) / 2
    place = trace.position_deg[first:last, axis][good]
    columns = np.column_stack((np.ones(time.size), time, time**2))
    _, slope, bend = np.linalg.lstsq(columns, place, rcond=None)[0].tolist()
    return 2 * bend * lasts_s / slope if slope else None
