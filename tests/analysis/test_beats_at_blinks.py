"""Vertical beats beside blinks told only by missing samples, or by none: the lid draws the pupil down.

The caller gives no blinks, only samples that are missing, so nothing was cut away round them.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.beats import Beat, find_beats
from analysis.trace import trace_from_arrays

Floats = NDArray[np.float64]
RATE_HZ, SECONDS, NOISE_DEG = 250.0, 120.0, 0.1
BEAT_S, QUICK_S = 0.4, 0.036  # a beat, and its quick phase along a half cosine
FALL_S, HIDDEN_S, RISE_S = 0.032, 0.15, 0.06  # of a blink: the lid over the pupil, the pupil gone, the way up
BLINK_EVERY = 3  # beats


def recording(
    velocity_dps: float,
    fall_after_quick_s: float,
    lid_deg: float,
    down_s: float = HIDDEN_S,
    lost_s: float = HIDDEN_S,
) -> tuple[Beat, ...]:
    """Beats found where every third one is followed by a blink whose lid falls so long after its landing.

    The lid stays down for `down_s`, and during the first `lost_s` of that the pupil is missing.
    """
    time = np.arange(0, SECONDS, 1 / RATE_HZ)
    into = time % BEAT_S  # from landing to landing
    done = 0.5 - 0.5 * np.cos(np.pi * np.clip((into - BEAT_S + QUICK_S) / QUICK_S, 0, 1))
    up = velocity_dps * (into - BEAT_S * done)
    since = time % (BLINK_EVERY * BEAT_S) - fall_after_quick_s
    after = since - FALL_S - down_s
    lid = np.clip(since / FALL_S, 0, 1) * np.clip(1 - after / RISE_S, 0, 1)
    position = np.column_stack((0 * up, up - lid_deg * lid, 0 * up))
    position += np.random.default_rng(7).normal(0, NOISE_DEG, position.shape)
    position[(since > FALL_S) & (since < FALL_S + lost_s)] = np.nan
    return find_beats(trace_from_arrays("right", time, position))


def accepted(beats: tuple[Beat, ...]) -> tuple[Beat, ...]:
    return tuple(beat for beat in beats if beat.accepted)


def ends(beats: tuple[Beat, ...]) -> Floats:
    """From each beat's middle to the nearest true landing, s."""
    middle = np.array([(b.quick_start_s + b.quick_end_s) / 2 + QUICK_S / 2 for b in beats])
    return np.abs((middle + BEAT_S / 2) % BEAT_S - BEAT_S / 2)


@pytest.mark.parametrize("velocity_dps", [8.0, -8.0])
@pytest.mark.parametrize("lid_deg", [1.5, 2.5, 4.0])
def test_a_lid_is_no_quick_phase(lid_deg: float, velocity_dps: float) -> None:
    """100 blinks in the middle of slow phases: at most one false beat (issue: 1 a 100).

    It falls as quick phases go where the eye drifts up, and rises as they go where it drifts down.
    """
    beats = accepted(recording(velocity_dps, 0.17, lid_deg))
    assert len(beats) > 150  # of 300, a third of them beside a blink
    assert (ends(beats) > 0.03).sum() <= 1


def test_a_quick_phase_just_before_the_lid_falls_is_found() -> None:
    """The eye rests for 30 ms between its landing and the lid: at least 80 of 100 such beats are found."""
    beats = accepted(recording(8.0, 0.03, 2.5))
    before_lid = [b for b in beats if (b.quick_end_s + BEAT_S / 2) % (BLINK_EVERY * BEAT_S) < BEAT_S]
    assert len(before_lid) >= 80
    assert (ends(beats) > 0.03).sum() <= 1


@pytest.mark.parametrize("velocity_dps", [8.0, -8.0])
@pytest.mark.parametrize("lid_deg", [2.0, 4.0, 8.0])
@pytest.mark.parametrize("lost_s", [0.0, 0.02, 0.05])
def test_a_lid_that_hides_no_pupil_is_no_quick_phase(
    lost_s: float, lid_deg: float, velocity_dps: float
) -> None:
    """100 blinks of 0.17 s within slow phases, seen all through or but for a moment: at most one false beat.

    Of the 200 beats with no blink before or in their slow phase at least 196 are found.
    """
    beats = accepted(recording(velocity_dps, 0.1, lid_deg, down_s=0.08, lost_s=lost_s))
    assert (ends(beats) > 0.03).sum() <= 1
    after_blink = np.array([b.quick_end_s % (BLINK_EVERY * BEAT_S) for b in beats])
    assert (np.abs(after_blink - BEAT_S) > 0.1).sum() >= 196
