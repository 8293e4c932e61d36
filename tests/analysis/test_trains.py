"""Beats too slow to stand alone belong to a train that they go on with."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.beats import find_beats
from tests.analysis.movement import Movement, duration_s, smooth

NOISE_DEG = (0.05, 0.05, 0.1)
LASTS_S = 15.8


@pytest.mark.parametrize(("axis", "side"), [(0, -1.0), (0, 1.0), (1, -1.0), (1, 1.0)])
@pytest.mark.parametrize("last", [True, False])
def test_slow_beats_among_other_saccades_belong_to_the_train_beside_them(
    axis: int, side: float, last: bool
) -> None:
    """Drift of 1 deg/s: ten beats, and five with a saccade of 0.5 deg along each slow phase; one may miss."""
    quick_s, saccades = duration_s(1.0), [(k + 1.0, 1.0) for k in range(10)]
    for k in range(10, 15):
        saccades += [(k + 0.5, -0.5), (k + 1.0, 1.5)]
    time = np.arange(0, LASTS_S, 1 / 2000)
    place = np.zeros((time.size, 3))
    place[:, axis] = -time
    for start_s, size_deg in saccades:
        first_s = start_s if last else LASTS_S - quick_s - start_s
        place[:, axis] += size_deg * smooth((time - first_s) / quick_s)
    beats = find_beats(Movement(time, side * place, (), np.empty((0, 2))).trace(250, NOISE_DEG))
    assert sum(beat.accepted for beat in beats) >= 14
