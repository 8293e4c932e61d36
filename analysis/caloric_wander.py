"""By how much the wander of an eye alone moves a mean of its slow-phase velocity over some seconds."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.beats import Beat
from analysis.estimate import student_factor

Floats = NDArray[np.float64]
LEAST_MEANS = 5  # that tell how far they stray from a line (design choice)


def wander_error(
    beats: Sequence[Beat], lit: Sequence[tuple[float, float]], mean_s: float, least_beats: int
) -> float:
    """Standard error that wander gives a horizontal mean over `mean_s`, deg/s; 0 where too little tells it.

    What a course through the horizontal beats leaves holds no wander as slow as the course. So it is read off
    the vertical axis, which hardly answers an irrigation: of its means over `mean_s` in the dark, what does
    not follow the horizontal ones is wander. It is taken to be as large on both axes (design choice).
    """
    rows = [
        ((b.slow_start_s + b.slow_end_s) / 2, *b.slow_phase_velocity_dps[:2])
        for b in beats
        if b.accepted
        and all(map(math.isfinite, b.slow_phase_velocity_dps[:2]))
        and not any(low <= b.quick_end_s and b.slow_start_s <= high for low, high in lit)
    ]
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    block = np.floor(table[:, 0] / mean_s)
    parts = [table[block == k] for k in np.unique(block) if np.count_nonzero(block == k) >= least_beats]
    if len(parts) < LEAST_MEANS:
        return 0.0
    _, across, up = np.array([part.mean(axis=0) for part in parts]).T
    columns = np.column_stack((np.ones(len(parts)), across))
    left = up - columns @ np.linalg.lstsq(columns, up, rcond=None)[0]
    freedom = len(parts) - columns.shape[1]
    return student_factor(freedom) * math.sqrt(float(left @ left) / freedom)
