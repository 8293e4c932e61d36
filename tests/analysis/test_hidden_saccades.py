"""Saccades close together, of which noise hides one, make no beat; few beats of a true drift stay beats."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.battery import procedure_named
from analysis.beats import Beat, find_beats
from capture.samples import EYES
from capture.simulation.patterns import Pattern
from capture.simulation.traces import Seeing
from tests.analysis.led_patient import lead
from tests.analysis.movement import Movement, duration_s, nystagmus, smooth, steady_gaze

SEEN_HZ, NOISE_DEG = 250.0, 0.2
SIDES = pytest.mark.parametrize("side", [-1.0, 1.0])
HIDDEN = "a saccade within the slow phase"


def beats_of(made: Movement, seed: int = 1) -> tuple[Beat, ...]:
    return find_beats(made.trace(SEEN_HZ, NOISE_DEG, np.random.default_rng(seed)))


def accepted(beats: tuple[Beat, ...]) -> list[Beat]:
    return [beat for beat in beats if beat.accepted]


@SIDES
def test_three_saccades_close_together_are_no_beat(side: float) -> None:
    """A hundred times out, back, out again, 0.16 s apart, and home: no drift; one in ten may deceive."""
    time = np.arange(0, 202, 1 / 2000)
    place = np.zeros((time.size, 3))
    for start_s in 1.0 + 2.0 * np.arange(100):
        for away_s, size_deg in ((0.0, 0.9), (0.16, -0.8), (0.32, 1.0), (0.9, -1.1)):
            place[:, 0] += side * size_deg * smooth((time - start_s - away_s) / duration_s(size_deg))
    beats = beats_of(Movement(time, place, (), np.empty((0, 2))))
    assert len(accepted(beats)) <= 10
    assert HIDDEN in {beat.reason for beat in beats}


@SIDES
@pytest.mark.parametrize("speed_dps", [6.0, 10.0, 30.0])
def test_few_beats_of_a_true_drift_stay_beats(speed_dps: float, side: float) -> None:
    """The eye drifts for 1.4 s; those that drift all the time before their quick phase are told."""
    for seed in range(10):
        rng = np.random.default_rng(seed)
        made = nystagmus(lambda t: [side * speed_dps * (2 < t < 3.4), 0, 0], 8, rng, spread=0.1)
        beats = beats_of(made, seed)
        true_s = [b.quick_start_s for b in made.beats if abs(b.velocity_dps[0]) > 0.9 * speed_dps]
        found_s = np.array([b.quick_start_s for b in accepted(beats)])
        assert len(true_s) >= 2
        assert all(np.abs(found_s - at_s).min() < 0.03 for at_s in true_s)
        assert HIDDEN not in {beat.reason for beat in beats}


@pytest.mark.parametrize("jerks_per_min", [10.0, 30.0])
def test_steady_gaze_with_many_jerks_has_one_false_beat_in_a_hundred_blinks(jerks_per_min: float) -> None:
    blinks, false = 0, 0
    for seed in range(100, 120):
        rng = np.random.default_rng([seed, int(jerks_per_min)])
        made = steady_gaze(100.0, rng, jerks_per_min)
        blinks += len(made.blinks_s)
        false += len(accepted(find_beats(made.trace(SEEN_HZ, NOISE_DEG, rng))))
    assert 100 * false <= blinks


@pytest.mark.parametrize("jerks_per_min", [10.0, 30.0])
def test_many_jerks_are_no_spontaneous_nystagmus(jerks_per_min: float) -> None:
    seeing = dict.fromkeys(EYES, Seeing(noise_deg=(NOISE_DEG, NOISE_DEG, 0.3)))
    jerking = Pattern(square_wave_jerks_per_min=jerks_per_min)
    found = lead(procedure_named("spontaneous"), jerking, 5, seeing).result().findings
    assert not [finding for finding in found if finding.present]
