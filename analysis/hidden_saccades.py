"""Whether a slow phase that stands alone is a drift, or a rest with a saccade in it that was not seen.

Of three saccades that follow each other closely the middle one may stay below the noise. What lies between
the others is then as steep as a fast slow phase, but it is no straight line: two levels with a jump between
them fit it better. Slow phases of a train need not be asked: so many jumps of one direction take an eye away.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from analysis.phases import Phases
from analysis.trace import Trace

SACCADE_S = 0.035  # as a ramp, of a small saccade (37 ms + 2.7 ms a degree from its very start: clinical 9.4)
MOST_TRIED = 50  # places for it in a slow phase


def find_hidden_saccades(
    trace: Trace,
    phases: Phases,
    slow: NDArray[np.void],
    axis: NDArray[np.int64],
    asked: NDArray[np.bool_],
    certain_errors: float,
) -> NDArray[np.bool_]:
    """Whether each slow phase (k,) of SLOW_DTYPE that is asked hides a saccade on its `axis`.

    Two levels must fit it better than a line by `certain_errors` standard errors.
    """
    alike = phases.correlation
    wide_deg = phases.noise_deg * np.sqrt((1 + alike) / (1 - alike))
    hides = np.zeros(slow.size, np.bool_)
    for i in np.flatnonzero(asked).tolist():
        a, b = np.searchsorted(trace.time_s, (slow["start_s"][i], slow["end_s"][i]))
        good = (trace.torsion_valid if axis[i] == 2 else trace.valid)[a:b]
        time, place = trace.time_s[a:b][good], trace.position_deg[a:b, axis[i]][good]
        hides[i] = _gain(time, place) > (certain_errors * wide_deg[axis[i]]) ** 2
    return hides


@njit(cache=True, nogil=True, fastmath=False)
def _gain(t: NDArray[np.float64], x: NDArray[np.float64]) -> float:
    """By how much less two levels leave of the squares of a slow phase than a straight line; the best two."""
    if t.size < 4:
        return 0.0
    line, best = _explained(t, x), 0.0
    ramp = np.empty(t.size)
    for k in range(1, t.size - 1, max(1, t.size // MOST_TRIED)):
        for i in range(t.size):
            ramp[i] = min(max((t[i] - t[k]) / SACCADE_S, -0.5), 0.5)
        best = max(best, _explained(ramp, x))
    return best - line


@njit(cache=True, nogil=True, fastmath=False)
def _explained(shape: NDArray[np.float64], x: NDArray[np.float64]) -> float:
    """Squares of `x` about its mean that a multiple of `shape` explains."""
    middle, mean = shape.mean(), x.mean()
    along, spread = 0.0, 0.0
    for i in range(x.size):
        along += (shape[i] - middle) * (x[i] - mean)
        spread += (shape[i] - middle) ** 2
    return along**2 / spread if spread > 0.0 else 0.0
