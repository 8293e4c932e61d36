"""Beats too slow to stand alone belong to a train that they go on with."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.beat_rules import BeatSettings, without_ripples
from analysis.beats import find_beats
from analysis.phases import Phases
from analysis.steps import STEP_DTYPE
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


@pytest.mark.parametrize("side", [-1.0, 1.0])
@pytest.mark.parametrize(("slow_dps", "kept"), [(2.0, True), (4.0, False), (-4.0, True)])
def test_a_weak_step_may_go_with_a_slow_movement_that_noise_can_make(
    side: float, slow_dps: float, kept: bool
) -> None:
    """A step of 1.5 deg, 7 times its error, beside slow movement: noise makes up to 3 deg/s of it."""
    fast = np.zeros(1, STEP_DTYPE)
    fast["start_s"], fast["middle_s"], fast["end_s"] = 1.0, 1.02, 1.04
    fast["strength"] = 7.0
    fast["step_deg"][0, 0], fast["slow_dps"][0, 0] = 1.5 * side, slow_dps * side
    phases = Phases(fast, np.empty(0), np.array([[0.0, 2.0]]), np.full(3, 0.2), np.zeros(3))
    assert (without_ripples(phases, BeatSettings()).fast.size == 1) == kept
