"""Samples without pictures: what the patient did, what was added to it, and that its truth is true."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from capture.pose import Pose
from capture.samples import EYES
from capture.simulation.drawing import (
    DRAWS,
    STEADY,
    blinking,
    draw_pattern,
    draw_seeing,
    sleepy,
    slipping,
    spontaneous,
)
from capture.simulation.patterns import PATTERNS, Pattern
from capture.simulation.responding import RespondingPatient
from capture.simulation.traces import Seeing, Slipped, seen_rows

QUIET = Seeing(noise_deg=(0.0, 0.0, 0.0))
DARK = Pose(light="dark")


def made(
    pattern: Pattern, seeing: Seeing, seconds: float = 30.0, seed: int = 1
) -> tuple[RespondingPatient, np.ndarray]:
    patient = RespondingPatient(pattern, seed, keep=True)
    patient.pose(DARK, -np.inf)
    return patient, seen_rows(patient, "right", seconds, seeing, np.random.default_rng(seed))


def place(rows: np.ndarray) -> np.ndarray:
    return np.column_stack([rows[f"{axis}_deg"] for axis in ("horizontal", "vertical", "torsional")])


@pytest.mark.parametrize("speed_dps", [0.5, 3.0, 20.0, 150.0])
def test_slow_phases_have_the_velocity_that_was_asked_for(speed_dps: float) -> None:
    velocity = (-0.8 * speed_dps, 0.6 * speed_dps, 0.1 * speed_dps)
    patient, rows = made(spontaneous(velocity, variation=0.0), QUIET, 60.0)
    beats = patient.true_beats()
    assert len(beats) > 20
    true = np.array([b.slow_phase_velocity_dps for b in beats])
    assert true == pytest.approx(np.tile(velocity, (len(beats), 1)))
    for beat in beats[5:25]:  # and the samples have it too
        inside = (rows["time_s"] > beat.slow_start_s + 0.001) & (rows["time_s"] < beat.slow_end_s - 0.001)
        slope = np.polyfit(rows["time_s"][inside], place(rows)[inside], 1)[0]
        assert slope == pytest.approx(np.array(velocity), rel=1e-6)
        size = np.abs(beat.amplitude_deg).max()
        assert 0.3 < size < 26.0
        moved = place(rows)[np.searchsorted(rows["time_s"], beat.quick_end_s)] - place(rows)[inside][-1]
        assert np.sign(moved[0]) == -np.sign(velocity[0])
    often = len(beats) / 60.0
    assert 0.4 < often < 6.2


def test_the_true_slope_holds_the_wander() -> None:
    patient, rows = made(replace(spontaneous((-5.0, 0.0, 0.0)), wander_deg=0.3), QUIET, 60.0)
    for beat in patient.true_beats()[:-5:7]:
        inside = (rows["time_s"] > beat.slow_start_s) & (rows["time_s"] < beat.slow_end_s)
        slope = np.polyfit(rows["time_s"][inside], place(rows)[inside], 1)[0]
        assert slope == pytest.approx(np.array(beat.slow_phase_velocity_dps), abs=0.03)


def test_wander_stays_about_its_place() -> None:
    _, rows = made(replace(STEADY, wander_deg=0.2), QUIET, 300.0)
    at = place(rows)
    smooth = np.median(at[: len(at) // 25 * 25].reshape(-1, 25, 3), axis=1)
    assert np.abs(smooth.mean(axis=0)).max() < 0.1
    assert smooth[:, 2].std() == pytest.approx(0.2, rel=0.3)
    assert np.abs(np.gradient(smooth[:, 2], 0.1)).max() < 1.5


def test_noise_is_what_was_asked_for() -> None:
    still = replace(STEADY, square_wave_jerks_per_min=0.0)
    _, quiet = made(still, QUIET, 120.0)
    _, noisy = made(still, Seeing(noise_deg=(0.1, 0.05, 0.2)), 120.0)
    white = place(noisy) - place(quiet)
    assert white.std(axis=0) == pytest.approx([0.1, 0.05, 0.2], rel=0.03)
    assert abs(np.corrcoef(white[1:, 0], white[:-1, 0])[0, 1]) < 0.03
    _, fading = made(still, Seeing(noise_deg=(0.0, 0.0, 0.0), falling_noise_deg=0.1), 120.0)
    falling = (place(fading) - place(quiet))[:, 0]
    assert falling.std() == pytest.approx(0.1, rel=0.01)
    power = np.abs(np.fft.rfft(falling)) ** 2
    hz = np.fft.rfftfreq(falling.size, 1 / 250)
    low, high = (power[(hz > a) & (hz < b)].mean() for a, b in ((0.5, 1.5), (50, 150)))
    assert low / high == pytest.approx(90.0, rel=0.5)  # 1/f: a hundred times the frequency, a hundredth


def test_gain_roll_and_cross_talk_are_those_of_the_matrix() -> None:
    assert Seeing(gain=(1.1, 0.9, 1.0)).matrix() == pytest.approx(np.diag([1.1, 0.9, 1.0]))
    up = Seeing(roll_deg=90.0).matrix() @ [0.0, 5.0, 0.0]
    assert up == pytest.approx([5.0, 0.0, 0.0])
    mixed = Seeing(cross_talk=0.05).matrix() @ [10.0, 0.0, 0.0]
    assert mixed == pytest.approx([10.0, 0.5, 0.5])


def test_blinks_hide_the_pupil_and_a_slip_moves_it() -> None:
    patient, rows = made(Pattern(blink_every_s=2.0), Seeing(slip=Slipped(15.0, (3.0, 0.0, 0.0))), 30.0)
    lost = np.isnan(rows["x_px"])
    shut, _ = patient.lids(rows["time_s"])
    assert lost[shut > 0.9].all()
    assert not lost[shut == 0].any()
    assert np.array_equal(lost, np.isnan(rows["horizontal_deg"]))
    before, after = (
        np.nanmedian(rows["horizontal_deg"][part]) for part in (slice(0, 3700), slice(3800, None))
    )
    assert after - before == pytest.approx(3.0, abs=0.3)
    hidden = [
        b
        for b in made(blinking(PATTERNS["down-beat"], np.random.default_rng(0)), QUIET)[0].true_beats()
        if b.in_blink
    ]
    assert 0 < len(hidden) < 60


def test_lost_frames_and_uneven_times() -> None:
    _, rows = made(STEADY, Seeing(lost_share=0.1, jitter_s=0.0004), 60.0)
    assert len(rows) / 15000 == pytest.approx(0.9, abs=0.02)
    assert (np.diff(rows["time_s"]) > 0).all()
    assert np.std(rows["time_s"] - rows["frame"] / 250) == pytest.approx(0.0004, rel=0.1)


def test_sleepy_eyes_fade() -> None:
    rng = np.random.default_rng(3)
    patient, _ = made(sleepy(spontaneous((-10.0, 0.0, 0.0)), rng), QUIET, 120.0)
    speeds = np.array([-b.slow_phase_velocity_dps[0] for b in patient.true_beats()])
    assert speeds.max() > 9.0
    assert np.percentile(speeds, 10) < 6.0


@pytest.mark.parametrize("name", DRAWS)
def test_every_kind_can_be_drawn_and_no_two_are_alike(name: str) -> None:
    rng = np.random.default_rng(5)
    first, second = draw_pattern(name, rng), draw_pattern(name, rng)
    assert first != second
    seeing = slipping(draw_seeing(rng), rng, 20.0)
    rows = made(first, seeing, 20.0)[1]
    assert np.isfinite(place(rows)).mean() > 0.8
    assert np.nanmax(np.abs(place(rows))) < 60.0


def test_names_of_kinds_are_those_of_training() -> None:
    assert DRAWS.keys() == PATTERNS.keys()
    with pytest.raises(ValueError, match="name must be one of"):
        draw_pattern("no such kind", np.random.default_rng(0))


def test_both_eyes_are_one_person_s() -> None:
    patient = RespondingPatient(PATTERNS["acute loss on the left"], 2, keep=True)
    patient.pose(DARK, -np.inf)
    both = [place(seen_rows(patient, eye, 20.0, QUIET, np.random.default_rng(1))) for eye in EYES]
    assert np.nanmax(np.abs(both[0] - both[1])) < 1e-9


def test_a_quarter_of_an_hour_takes_a_moment() -> None:
    began_s = time.perf_counter()
    made(PATTERNS["acute loss on the right"], Seeing(falling_noise_deg=0.1), 900.0)
    assert time.perf_counter() - began_s < 5.0  # about 0.6 s alone; other work may go on beside it
