from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from analysis.phases import _line_of, find_fast_phases, find_phases
from analysis.trace import trace_from_arrays
from tests.analysis.movement import Movement, duration_s, nystagmus, sawtooth, smooth

RATE = 250.0


def saccades(
    sizes_deg: list[float], slow_dps: float = 0.0, every_s: float = 1.0, rate_hz: float = RATE, axis: int = 0
):
    """Saccades of the given sizes, one every `every_s` from 1 s on, beside a steady movement: a Movement."""
    time = np.arange(0, 1.5 + every_s * len(sizes_deg), 1 / 2000)
    position = np.zeros((time.size, 3))
    position[:, axis] = slow_dps * time
    for k, size in enumerate(sizes_deg):
        position[:, axis] += size * smooth((time - 1 - k * every_s) / duration_s(size))
    return Movement(time, position, (), np.empty((0, 2)))


class TestFastPhases:
    @pytest.mark.parametrize("rate_hz", [30.0, 60.0, 120.0, 250.0, 500.0])
    def test_saccades_at_any_rate(self, rate_hz: float) -> None:
        """Six saccades of 2 to 12 deg: all found, to a fifth of a frame or 6 ms, amplitude to 4 %."""
        sizes = [2.0, -3.0, 5.0, -8.0, 12.0, -10.0]
        trace = saccades(sizes).trace(rate_hz, 0.03, np.random.default_rng(2))
        fast = find_phases(trace).fast
        assert fast["amplitude_deg"][:, 0] == pytest.approx(sizes, rel=0.04, abs=0.05)
        tolerance = max(0.006, 0.2 / rate_hz)
        assert fast["start_s"] == pytest.approx(1 + np.arange(6), abs=tolerance)
        ends = [1 + k + duration_s(size) for k, size in enumerate(sizes)]
        assert fast["end_s"] == pytest.approx(ends, abs=tolerance)

    @pytest.mark.parametrize("speed", [1.0, 10.0, 30.0, 100.0, 150.0])
    def test_slow_phases_have_no_ceiling(self, speed: float) -> None:
        """Slow phases up to 150 deg/s whose quick phases, 1 to 15 deg, take them back."""
        slow_s = {1.0: 1.0, 10.0: 0.4, 30.0: 0.2, 100.0: 0.1, 150.0: 0.1}[speed]
        fast = find_phases(sawtooth([0, speed, 0], slow_s).trace(RATE, 0.05, np.random.default_rng(3))).fast
        period = slow_s + duration_s(speed * slow_s)
        assert fast["start_s"] == pytest.approx(1 + slow_s + np.arange(12) * period, abs=0.01)
        assert fast["amplitude_deg"][:, 1] == pytest.approx([-speed * slow_s] * 12, rel=0.1, abs=0.1)

    def test_smooth_movement_has_no_fast_phase(self) -> None:
        """Pursuit of 10 deg at 0.3 Hz, aside and up, with white and with coloured noise."""
        time = np.arange(0, 30, 1 / 500)
        for correlation in (0.0, 0.8):
            white = np.random.default_rng(4).normal(size=(time.size, 3))
            noise = 0.03 * lfilter([np.sqrt(1 - correlation**2)], [1, -correlation], white, axis=0)
            target = np.column_stack((np.sin(1.885 * time), 0.6 * np.cos(1.445 * time), 0 * time))
            assert len(find_fast_phases(trace_from_arrays("right", time, 10 * target + noise))) == 0

    @pytest.mark.parametrize("rate_hz", [30.0, 60.0, 250.0])
    def test_an_eye_that_turns_back_does_not_jump(self, rate_hz: float) -> None:
        """8 deg/s to one side, then to the other: a corner each second."""
        time = np.arange(0, 20, 1 / 2000)
        position = np.zeros((time.size, 3))
        position[:, 1] = 8 * np.abs((time % 2) - 1)
        movement = Movement(time, position, (), np.empty((0, 2)))
        assert len(find_phases(movement.trace(rate_hz, 0.05)).fast) == 0

    def test_noise_alone_has_no_fast_phase(self) -> None:
        rng = np.random.default_rng(5)
        for rate_hz in (30.0, 250.0):
            time = np.arange(0, 60, 1 / rate_hz)
            assert (
                len(find_phases(trace_from_arrays("left", time, rng.normal(size=(time.size, 3)))).fast) == 0
            )

    def test_a_single_stray_sample_is_no_fast_phase(self) -> None:
        time = np.arange(0, 10, 1 / RATE)
        position = np.random.default_rng(6).normal(0, 0.03, (time.size, 3))
        position[[500, 1200], 1] += 4.0
        assert len(find_phases(trace_from_arrays("left", time, position)).fast) == 0

    def test_a_movement_too_slow_for_a_saccade(self) -> None:
        """2 deg in 130 ms: three times as long as the main sequence allows."""
        time = np.arange(0, 4, 1 / RATE)
        position = np.zeros((time.size, 3))
        position[:, 0] = 2 * smooth((time - 2) / 0.13)
        position += np.random.default_rng(7).normal(0, 0.02, position.shape)
        assert len(find_fast_phases(trace_from_arrays("left", time, position))) == 0

    def test_torsion_alone_can_tell(self) -> None:
        trace = saccades([3.0, -3.0], axis=2).trace(RATE, 0.1, np.random.default_rng(8))
        fast = find_phases(trace).fast
        assert fast["amplitude_deg"][:, 2] == pytest.approx([3.0, -3.0], abs=0.2)

    def test_torsion_that_cannot_be_read_is_not_asked(self) -> None:
        movement = saccades([3.0, -3.0], axis=2)
        trace = movement.trace(RATE, 0.1, np.random.default_rng(8))
        blind = trace_from_arrays("right", trace.time_s, trace.position_deg, torsion_valid=trace.time_s < 0)
        phases = find_phases(blind)
        assert len(phases.fast) == 0
        assert np.isnan(phases.noise_deg[2])


class TestPhases:
    def test_noise_and_its_correlation(self) -> None:
        """Noise of 0.1, 0.2 and 0.3 deg beside nystagmus of 20 deg/s; then coloured by 0.7."""
        movement = nystagmus([20.0, 0.0, 0.0], 60, np.random.default_rng(9))
        trace = movement.trace(RATE, [0.1, 0.2, 0.3], np.random.default_rng(10))
        phases = find_phases(trace)
        assert phases.noise_deg == pytest.approx([0.1, 0.2, 0.3], rel=0.08)
        assert phases.correlation == pytest.approx([0, 0, 0], abs=0.05)
        clean = movement.trace(RATE)
        white = np.random.default_rng(11).normal(size=clean.position_deg.shape)
        coloured = 0.1 * lfilter([np.sqrt(1 - 0.49)], [1, -0.7], white, axis=0)
        phases = find_phases(trace_from_arrays("right", clean.time_s, clean.position_deg + coloured))
        assert phases.noise_deg == pytest.approx([0.1] * 3, rel=0.12)
        assert phases.correlation == pytest.approx([0.7] * 3, abs=0.1)  # each line takes a little of it away

    def test_long_gaps_end_a_stretch_and_short_ones_do_not(self) -> None:
        """At 100 frames/s: 50 ms missing at 2 s, 100 ms at 5 s."""
        time = np.arange(0, 8, 0.01)
        time = time[~((time > 2) & (time < 2.045)) & ~((time > 5) & (time < 5.095))]
        stretches = find_phases(trace_from_arrays("left", time, np.zeros((time.size, 3)))).stretches_s
        assert stretches == pytest.approx(np.array([[0, 5.0], [5.1, 7.99]]))

    @pytest.mark.parametrize("count", [0, 1, 2, 5])
    def test_hardly_any_samples(self, count: int) -> None:
        phases = find_phases(trace_from_arrays("left", np.arange(count) / 60, np.zeros((count, 3))))
        assert len(phases.fast) == 0

    def test_no_valid_sample(self) -> None:
        time = np.arange(100) / 60
        phases = find_phases(trace_from_arrays("left", time, np.full((100, 3), np.nan)))
        assert len(phases.fast) == 0
        assert np.isnan(phases.noise_deg).all()


def test_frames_ten_seconds_apart_are_no_error() -> None:
    """Times in milliseconds taken for seconds: a piece of slow movement is never shorter than a sample."""
    time_s = np.arange(600) * 10.0
    position_deg = np.random.default_rng(3).normal(0.0, 0.1, (600, 3))
    assert not len(find_fast_phases(trace_from_arrays("right", time_s, position_deg)))


def test_samples_between_lines_lie_on_none() -> None:
    lines = np.array([[1, 3], [5, 6]])
    assert _line_of(lines, 9).tolist() == [-1, 0, 0, 0, -1, 1, 1, -1, -1]
