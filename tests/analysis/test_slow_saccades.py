"""Saccades at two fifths of the usual speed and below: longer than the search of fast phases bridges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.saccades import answers
from analysis.slow_saccades import is_slow, stroke_toward
from analysis.trace import trace_from_arrays
from tests.analysis.stimulus_traces import Eyed, EyePath, TrueSaccade, answering, trace_of
from tests.analysis.test_saccades import jumps


@pytest.mark.parametrize("rate_hz", [100.0, 250.0, 500.0])
@pytest.mark.parametrize("speed", [0.4, 0.3, 0.2])
@pytest.mark.parametrize("size_deg", [5.0, 15.0, 30.0])
def test_thirty_of_one_size(size_deg: float, speed: float, rate_hz: float) -> None:
    """5 deg at 0.2 last 0.25 s and peak at 37 deg/s, 30 deg 0.59 s at 95 deg/s: latency, size and peak."""
    rng = np.random.default_rng(int(1000 * speed + size_deg))
    asked = jumps([size_deg, -size_deg] * 15)
    path, true = answering(asked, 0, rng, gain=1.0, speed=speed, correct=False)
    found = answers(trace_of(path, 48.0, Eyed(rate_hz=rate_hz), rng), asked, 0)
    assert [a.outcome for a in found].count("used") >= 28
    pairs = [(a, t) for a, t in zip(found, true, strict=True) if a.outcome == "used"]
    late = [a.latency_s - (t.start_s - a.jump.at_s) for a, t in pairs]
    assert abs(np.median(late)) <= 0.01
    assert np.median([a.amplitude_deg / t.size_deg for a, t in pairs]) == pytest.approx(1.0, abs=0.02)
    peaks = [a.peak_velocity_dps / t.peak_dps for a, t in pairs if np.isfinite(a.peak_velocity_dps)]
    assert not peaks or np.median(peaks) == pytest.approx(1.0, abs=0.05)


def test_a_stroke_by_hand() -> None:
    """100 deg/s from 1.0 to 1.2 s: 20 deg, which usually last 37 + 54 = 91 ms."""
    time = np.arange(0.0, 3.0, 0.004)
    place = np.zeros((time.size, 3))
    place[:, 0] = 100 * np.clip(time - 1.0, 0.0, 0.2)
    trace = trace_from_arrays("right", time, place)
    stroke = stroke_toward(trace, 0, 1.0, 0.5, 2.5)
    assert stroke is not None
    assert is_slow(stroke)
    assert stroke.size_deg == pytest.approx(20.0)
    assert stroke.start_s == pytest.approx(1.0, abs=0.04)
    assert stroke.end_s == pytest.approx(1.2, abs=0.04)
    assert stroke_toward(trace, 0, -1.0, 0.5, 2.5) is None
    assert stroke_toward(trace, 1, 1.0, 0.5, 2.5) is None
    assert stroke_toward(trace, 0, 1.0, 1.1, 2.5) is None  # it began before


@pytest.mark.parametrize("speed_dps", [10.0, 25.0])
def test_a_drift_toward_the_target_is_no_saccade(speed_dps: float) -> None:
    asked = jumps([10.0, -10.0] * 5, every_s=2.0)
    path = EyePath()
    for jump in asked:
        way, at_s = np.sign(jump.size_deg), jump.at_s + 0.2
        path.slow.append((0, lambda t, w=way, a=at_s: w * np.clip(speed_dps * (t - a), 0.0, 10.0)))
    rng = np.random.default_rng(1)
    found = answers(trace_of(path, 22.0, Eyed(), rng), asked, 0)
    assert {a.outcome for a in found} == {"miss"}


def test_noise_alone_is_no_saccade() -> None:
    asked = jumps([5.0, -5.0] * 20)
    seen = Eyed(noise_deg=0.3, wander_deg=1.0)
    found = answers(trace_of(EyePath(), 62.0, seen, np.random.default_rng(2)), asked, 0)
    assert {a.outcome for a in found} == {"miss"}


def test_two_usual_saccades_in_close_succession_are_not_one() -> None:
    """Of 8 deg each (59 ms), the second 0.1 s behind the first's end: the primary is the first."""
    asked = jumps([16.0, -16.0] * 8)
    path = EyePath()
    for jump in asked:
        half = TrueSaccade(jump.at_s + 0.2, jump.size_deg / 2)
        path.saccades[0].extend((half, replace(half, start_s=half.start_s + half.lasts_s + 0.1)))
    found = answers(trace_of(path, 26.0, Eyed(), np.random.default_rng(3)), asked, 0)
    assert np.median([a.gain for a in found]) == pytest.approx(0.5, abs=0.02)
    assert np.median([a.final_gain for a in found]) == pytest.approx(1.0, abs=0.02)


def test_a_slow_saccade_behind_a_blink_is_not_seen() -> None:
    asked = jumps([20.0, -20.0] * 3, every_s=2.0)
    path = EyePath()
    path.saccades[0].extend(TrueSaccade(j.at_s + 0.2, j.size_deg, 0.25) for j in asked)
    blinks = tuple((j.at_s + 0.3, j.at_s + 0.4) for j in asked)
    found = answers(trace_of(path, 14.0, Eyed(blinks_s=blinks), np.random.default_rng(4)), asked, 0)
    assert {a.outcome for a in found} == {"not seen"}
