"""How the simulated gaze moves: main sequence, beats, blinks, fixation, pursuit."""

from __future__ import annotations

import math

import numpy as np
import pytest

from capture.simulation.eye_behaviour import Nystagmus, Paroxysm
from capture.simulation.movement import Movement
from capture.simulation.scenario import (
    Hold,
    Jumps,
    LookAt,
    Pursue,
    Scenario,
)
from capture.simulation.signals import play

STEADY = {"blink_every_s": None, "unsteadiness": 0.0}


def one_quick(amplitude_deg: list[float]) -> np.ndarray:
    """Velocity (n, 3) deg/s of a single quick phase, at 1 kHz."""
    movement = Movement(1.0, np.random.default_rng(0))
    movement.slow(0.2)
    movement.quick(np.array(amplitude_deg), "saccade")
    return np.diff(movement.positions(), axis=0) * 1000


@pytest.mark.parametrize("amplitude_deg", [0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 40.0])
def test_quick_phases_follow_the_main_sequence(amplitude_deg) -> None:
    velocity = one_quick([amplitude_deg, 0, 0])[:, 0]
    assert velocity.sum() / 1000 == pytest.approx(amplitude_deg, rel=1e-9)
    assert velocity.max() == pytest.approx(551 * (1 - math.exp(-amplitude_deg / 14)), rel=0.01)
    if amplitude_deg >= 1:  # a smaller one never exceeds 30 deg/s
        measured_ms = (velocity > 30).sum()
        assert measured_ms == pytest.approx(2.2 * amplitude_deg + 21, rel=0.6)
    assert (np.abs(np.diff(velocity)) < 0.15 * velocity.max()).all()  # no jump of velocity


def test_torsional_quick_phases_are_slower_and_oblique_ones_straight() -> None:
    assert one_quick([0, 0, 6])[:, 2].max() < 0.6 * one_quick([6, 0, 0])[:, 0].max()
    oblique = one_quick([3, -4, 0])
    assert np.linalg.norm(oblique, axis=1).max() == pytest.approx(551 * (1 - math.exp(-5 / 14)), rel=0.01)
    np.testing.assert_allclose(oblique[:, 1], -4 / 3 * oblique[:, 0], atol=1e-9)


def test_nystagmus_has_the_asked_velocity_direction_and_rate() -> None:
    wanted = (-12.0, 3.0, 2.0)
    signals = play(Scenario((Hold(60.0, nystagmus=Nystagmus(wanted, beats_per_s=2.0)),), **STEADY), 4, 0.0)
    velocity = np.array([beat.slow_phase_velocity_dps for beat in signals.beats])
    assert np.median(velocity, axis=0) == pytest.approx(wanted, rel=0.06)
    assert 0.08 < velocity[:, 0].std() / 12 < 0.25  # varies from beat to beat
    assert len(signals.beats) / 60 == pytest.approx(2.0, rel=0.1)
    assert {(beat.axis, beat.direction) for beat in signals.beats} == {("horizontal", "right")}
    amplitude = np.array([beat.amplitude_deg for beat in signals.beats])
    assert (np.sign(amplitude) == [1, -1, -1]).all()
    assert np.abs(signals.gaze_deg).max() < 12  # quick phases keep the eye near where it looks
    intervals = np.diff([beat.quick_start_s for beat in signals.beats])
    assert 0.08 < intervals.std() / intervals.mean() < 0.3


def test_true_velocity_is_the_slope_of_the_gaze_and_amplitude_its_jump() -> None:
    scenario = Scenario((Hold(20.0, nystagmus=Nystagmus((0.0, 20.0, -5.0))),), blink_every_s=None)
    signals = play(scenario, 5, start_s=100.0)
    time_s = 100.0 + np.arange(len(signals.gaze_deg)) / 1000
    for beat in signals.beats:
        slow = (time_s > beat.slow_start_s - 1e-6) & (time_s < beat.slow_end_s + 1e-6)
        slope = np.polyfit(time_s[slow] - beat.slow_start_s, signals.gaze_deg[slow], 1)[0]
        assert beat.slow_phase_velocity_dps == pytest.approx(slope, abs=1e-6)
        ends = np.interp([beat.quick_start_s, beat.quick_end_s], time_s, signals.gaze_deg[:, 1])
        assert ends[1] - ends[0] == pytest.approx(beat.amplitude_deg[1], abs=0.15)  # plus drift
    assert signals.beats[3].direction == "down"
    assert any(abs(beat.slow_phase_velocity_dps[1] - 20) > 0.5 for beat in signals.beats)


def test_torsional_and_vertical_beats_are_named_by_their_quick_phase() -> None:
    for velocity, axis, direction in (
        ((0, 0, 8), "torsional", "upper_pole_left"),
        ((0, 0, -8), "torsional", "upper_pole_right"),
        ((0, -8, 2), "vertical", "up"),
        ((9, 0, 3), "horizontal", "left"),
    ):
        signals = play(Scenario((Hold(5.0, nystagmus=Nystagmus(velocity)),), **STEADY), 1, 0.0)
        assert {(beat.axis, beat.direction) for beat in signals.beats} == {(axis, direction)}


def test_fixation_suppresses_by_the_factor_asked_for() -> None:
    beating = Nystagmus((-10.0, 0.0, 0.0))
    fixing = Hold(40.0, "fixation", nystagmus=beating, suppression=0.3)
    scenario = Scenario((Hold(40.0, nystagmus=beating), fixing), **STEADY)
    signals = play(scenario, 2, 0.0)
    dark, fixing = (
        np.median([b.slow_phase_velocity_dps[0] for b in signals.beats if low <= b.slow_start_s < high])
        for low, high in ((0, 40), (40, 80))
    )
    assert fixing / dark == pytest.approx(0.3, rel=0.1)
    assert [step[2] for step in signals.steps] == ["dark", "fixation"]


def test_a_paroxysm_waits_grows_and_dies_down() -> None:
    fit = Nystagmus((0.0, -40.0, 20.0), 3.0, envelope=Paroxysm(latency_s=3.0, rise_s=4.0, decay_s=6.0))
    signals = play(Scenario((Hold(40.0, nystagmus=fit),), **STEADY), 3, 0.0)
    start = np.array([beat.slow_start_s for beat in signals.beats])
    speed = np.array([-beat.slow_phase_velocity_dps[1] for beat in signals.beats])
    assert start.min() >= 3.0
    assert 30 < speed.max() < 65
    assert 5.5 < start[np.argmax(speed)] < 10
    assert speed[start > 25].max(initial=0) < 8


def test_amplitude_may_be_asked_for_instead_of_the_rate() -> None:
    signals = play(
        Scenario((Hold(30.0, nystagmus=Nystagmus((15.0, 0, 0), amplitude_deg=4.0)),), **STEADY), 3, 0
    )
    assert np.median([-beat.amplitude_deg[0] for beat in signals.beats]) == pytest.approx(4.0, rel=0.15)


def test_blinks_take_100_to_400_ms_shut_the_lids_and_mark_their_beats() -> None:
    scenario = Scenario((Hold(120.0, nystagmus=Nystagmus((-10.0, 0, 0))),), blink_every_s=3.0)
    signals = play(scenario, 6, 0.0)
    blinks = [event for event in signals.events if event.kind == "blink"]
    assert len(blinks) / 120 == pytest.approx(1 / 3, rel=0.35)
    for blink in blinks:
        assert 0.1 <= blink.end_s - blink.start_s <= 0.4
        during = signals.opening[round(blink.start_s * 1000) : round(blink.end_s * 1000)]
        assert during.min() < 0.05
        hidden = [b for b in signals.beats if b.quick_end_s > blink.start_s and b.quick_start_s < blink.end_s]
        assert all(beat.in_blink for beat in hidden)
    assert 0.02 < np.mean([beat.in_blink for beat in signals.beats]) < 0.4
    middle = round((blinks[0].start_s + blinks[0].end_s) * 500)
    quiet = play(Scenario((Hold(120.0),), blink_every_s=3.0, unsteadiness=0.0), 6, 0.0)
    assert quiet.gaze_deg[middle, 1] < -0.5  # the eye dips behind the lid


def test_targets_are_reached_after_the_latency_and_held() -> None:
    step = LookAt(hold_s=1.6, miss_deg=0.0)
    signals = play(Scenario((Hold(1.0, "light"), step), **STEADY), 7, start_s=50.0)
    assert len(signals.targets) == 8
    assert (signals.targets[1].start_s, signals.targets[1].horizontal_deg) == (pytest.approx(52.6), 10)
    for target in signals.targets:
        first, last = round((target.start_s - 50) * 1000), round((target.end_s - 50) * 1000)
        settled = signals.gaze_deg[last - 500 : last]
        np.testing.assert_allclose(
            settled[:, :2].mean(axis=0), [target.horizontal_deg, target.vertical_deg], atol=0.25
        )
        before = signals.gaze_deg[first : first + 120]
        assert np.ptp(before, axis=0).max() < 1.0  # nobody moves before 120 ms but by a microsaccade
    saccades = [event for event in signals.events if event.kind == "saccade"]
    assert len(saccades) == 7  # all but the first target, where the eye already was
    late = [
        event.start_s - target.start_s for event, target in zip(saccades, signals.targets[1:], strict=True)
    ]
    assert 0.15 < np.mean(late) < 0.26


def test_a_miss_can_be_asked_for() -> None:
    step = LookAt(points_deg=((0, 0), (10, 0)) * 30, hold_s=1.0, miss_deg=0.2)
    signals = play(Scenario((step,), **STEADY), 8, 0.0)
    off = [
        signals.gaze_deg[round(target.end_s * 1000) - 300 : round(target.end_s * 1000), 0].mean() - target[2]
        for target in signals.targets
    ]
    assert np.std(off) == pytest.approx(0.2, rel=0.35)


def test_targets_with_nystagmus_are_met_at_the_end_of_quick_phases() -> None:
    step = LookAt(hold_s=3.0, miss_deg=0.0, nystagmus=Nystagmus((-8.0, 0.0, 0.0)))
    signals = play(Scenario((step,), **STEADY), 9, 0.0)
    for beat in signals.beats:
        target = next(t for t in signals.targets if t.start_s <= beat.slow_start_s < t.end_s)
        landed = signals.gaze_deg[round(beat.quick_end_s * 1000), :2]
        np.testing.assert_allclose(landed, target[2:], atol=0.01)


def test_healthy_fixation_stays_with_microsaccades_and_no_beats() -> None:
    signals = play(Scenario((Hold(60.0, "light"),), blink_every_s=None), 10, 0.0)
    assert signals.beats == ()
    assert 0.05 < signals.gaze_deg[:, :2].std(axis=0).max() < 0.4
    micro = [event for event in signals.events if event.kind == "microsaccade"]
    assert 20 < len(micro) < 100
    assert max(math.hypot(event.horizontal_deg, event.vertical_deg) for event in micro) < 1.0


def test_pursuit_follows_with_its_gain() -> None:
    step = Pursue(20.0, (15.0, 0.0), 0.3, gain=0.9)
    signals = play(Scenario((step,), **STEADY), 11, 0.0)
    time_s = np.arange(len(signals.gaze_deg)) / 1000
    velocity = np.gradient(signals.gaze_deg[:, 0], time_s)
    target = 15 * 2 * np.pi * 0.3 * np.cos(2 * np.pi * 0.3 * time_s)
    smooth = (np.abs(velocity - target) < 15) & (time_s < 19.5)
    assert (velocity[smooth] @ target[smooth]) / (target[smooth] @ target[smooth]) == pytest.approx(
        0.9, abs=0.02
    )
    assert np.abs(signals.gaze_deg[:, 0] - 15 * np.sin(2 * np.pi * 0.3 * time_s))[:19500].max() < 3


def test_jumps_are_saccades_to_places_within_reach() -> None:
    signals = play(Scenario((Jumps(12, (15.0, 5.0)),), **STEADY), 12, 0.0)
    assert sum(event.kind == "saccade" for event in signals.events) >= 10
    assert np.abs(signals.gaze_deg[:, 0]).max() < 16


def test_pupil_widens_in_the_dark_and_narrows_fast_in_light() -> None:
    signals = play(Scenario((Hold(5.0, "light"), Hold(12.0, "dark"), Hold(5.0, "light"))), 13, 0.0)
    assert signals.widening[4800] < 0.1
    assert signals.widening[16900] > 0.9
    assert signals.widening[18500] < 0.2


def test_the_seed_decides_everything() -> None:
    scenario = Scenario((LookAt(), Hold(10.0, nystagmus=Nystagmus((5.0, 0, 0)))))
    first, again, other = (play(scenario, seed, 0.0) for seed in (1, 1, 2))
    np.testing.assert_array_equal(first.gaze_deg, again.gaze_deg)
    assert first.beats == again.beats
    assert np.abs(first.gaze_deg - other.gaze_deg).max() > 0.5
