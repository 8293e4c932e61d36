"""What closed lids may have hidden of a nystagmus in a position: its beginning, its peak.

Patients shut their eyes when it starts to turn. What is seen when they open them again is neither the first
beat nor the fastest.
"""

from __future__ import annotations

import numpy as np

from analysis.nystagmus import samples_in
from analysis.positional_responses import Response
from analysis.trace import Trace

HIDDEN_S = 1.0  # design choice: longer than a blink with what is cut about it (clinical 3.7: 0.4 s and 0.15)
BESIDE_S = 2.0  # design choice: three slow beats (1.5 a second) and the smoothing of the velocity lie in it


def hidden_beginning(response: Response, axis: int) -> str:
    """Why the beginning of an axis' run is not known though the run was seen; "" where it is."""
    run = response.run(axis)
    if run is None:
        return ""
    since_s = response.part.window.used_from_s
    for start_s, end_s in _hidden(response.part.trace, since_s, run.end_s):
        if start_s <= run.start_s <= end_s + BESIDE_S:
            return f"the eye was not seen for {end_s - start_s:.1f} s before the first beats"
    return ""


def hidden_peak(response: Response, axis: int) -> str:
    """Why the fastest velocity of an axis' run may not have been seen; "" where it was."""
    run = response.run(axis)
    if run is None:
        return ""
    peak_s, window = float(run.time_s[run.peak]), response.part.window
    for start_s, end_s in _hidden(response.part.trace, window.used_from_s, window.end_s):
        if start_s - BESIDE_S <= peak_s <= end_s + BESIDE_S:
            return (
                f"the eye was not seen for {end_s - start_s:.1f} s beside this peak: it may have been faster"
            )
    return ""


def _hidden(trace: Trace, start_s: float, end_s: float) -> list[tuple[float, float]]:
    """Stretches in which the eye was not seen for longer than a blink."""
    part = samples_in(trace, start_s, end_s)
    seen = np.r_[start_s, trace.time_s[part][trace.valid[part]], end_s]
    long = np.flatnonzero(np.diff(seen) >= HIDDEN_S)
    return [(float(seen[k]), float(seen[k + 1])) for k in long]
