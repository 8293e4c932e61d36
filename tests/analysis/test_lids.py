"""What goes down and comes back is a lid; what stays where it went, or turns, is none."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.lids import find_lids, without_lids
from analysis.phases import find_phases
from analysis.trace import trace_from_arrays
from tests.analysis.movement import sawtooth

Floats = NDArray[np.float64]
RATE_HZ = 250.0
NOISE_DEG = 0.1


def lids_of(jumps_deg: dict[float, float], drift_dps: float = 0.0, jump_s: float = 0.04) -> Floats:
    """Where lids are found (k, 2) in 3 s of drift with vertical jumps of these sizes, by when they begin."""
    time = np.arange(0, 3, 1 / RATE_HZ)
    up = drift_dps * time
    for at_s, size_deg in jumps_deg.items():
        up += size_deg * (0.5 - 0.5 * np.cos(np.pi * np.clip((time - at_s) / jump_s, 0, 1)))
    position = np.column_stack((0 * up, up, 0 * up))
    position += np.random.default_rng(3).normal(0, NOISE_DEG, position.shape)
    return find_phases(trace_from_arrays("left", time, position), lids_apart=True).lids_s


class TestDownAndBack:
    @pytest.mark.parametrize("drift_dps", [-20.0, 0.0, 20.0])
    @pytest.mark.parametrize("back_s", [1.1, 1.2, 1.35])
    def test_is_a_lid_from_where_it_left_to_where_it_is_back(self, back_s: float, drift_dps: float) -> None:
        lids = lids_of({1.0: -3.0, back_s: 3.0}, drift_dps)
        assert lids == pytest.approx(np.array([[1.0, back_s + 0.04]]), abs=0.02)

    def test_a_quick_phase_within_it_changes_nothing(self) -> None:
        """Down 4, a quick phase of 2 the same way, up 4."""
        lids = lids_of({1.0: -4.0, 1.12: -2.0, 1.24: 4.0}, drift_dps=10.0)
        assert lids == pytest.approx(np.array([[1.0, 1.28]]), abs=0.02)

    @pytest.mark.parametrize(
        "jumps_deg",
        [
            {1.0: -3.0, 1.8: 3.0},  # too long for a lid
            {1.0: 3.0, 1.2: -3.0},  # up and back
            {1.0: -3.0, 1.2: -3.0, 1.4: -3.0},  # quick phases all one way
            {1.0: -8.0, 1.2: 1.0},  # comes back by an eighth
            {1.0: -0.5, 1.2: 0.5},  # too shallow to be told
        ],
    )
    def test_nothing_else_is(self, jumps_deg: dict[float, float]) -> None:
        assert len(lids_of(jumps_deg)) == 0


class TestNystagmus:
    @pytest.mark.parametrize("hz", [1.0, 2.0, 5.0])
    @pytest.mark.parametrize("size_deg", [0.5, 5.0, 25.0])
    @pytest.mark.parametrize("way", [-1.0, 1.0])
    def test_vertical_beats_are_no_lids(self, way: float, size_deg: float, hz: float) -> None:
        slow_s = 1 / hz - 0.06
        movement = sawtooth([0.0, way * size_deg / slow_s, 0.0], slow_s)
        trace = movement.trace(RATE_HZ, NOISE_DEG, np.random.default_rng(5))
        assert len(find_phases(trace, lids_apart=True).lids_s) == 0

    @pytest.mark.parametrize("way", [-1.0, 1.0])
    @pytest.mark.parametrize("grows", [-1.0, 1.0])
    def test_slow_phases_that_gain_or_lose_speed_are_no_lids(self, grows: float, way: float) -> None:
        """Each changes its speed threefold in its 5 deg: it leaves a straight line, but not at once."""
        time = np.arange(0, 20, 1 / RATE_HZ)
        into = time % 0.4
        part = np.clip(into / 0.36, 0, 1)
        part = part if grows > 0 else 1 - part
        course = np.expm1(np.log(3) * part) / 2
        course = course if grows > 0 else 1 - course
        quick = 0.5 - 0.5 * np.cos(np.pi * np.clip((into - 0.36) / 0.04, 0, 1))
        up = way * 5 * np.where(into < 0.36, course, 1 - quick)
        position = np.column_stack((0 * up, up, 0 * up))
        position += np.random.default_rng(6).normal(0, NOISE_DEG, position.shape)
        phases = find_phases(trace_from_arrays("left", time, position), lids_apart=True)
        assert len(phases.fast) >= 48
        assert len(phases.lids_s) == 0

    def test_only_beats_are_told_from_lids(self) -> None:
        """Who asks for saccades sees both jumps of a look down and up again."""
        time = np.arange(0, 3, 1 / RATE_HZ)
        up = np.where((time > 1.0) & (time < 1.3), -5.0, 0.0)
        trace = trace_from_arrays("left", time, np.column_stack((0 * up, up, 0 * up)))
        assert len(find_phases(trace).fast) == 2
        assert len(find_phases(trace, lids_apart=True).fast) == 0


def dip() -> tuple[Floats, Floats]:
    """120 samples every 10 ms at a height of 0, but 50 to 69 at -2."""
    up = np.zeros(120)
    up[50:70] = -2.0
    return np.arange(120.0) / 100, up


def test_by_hand() -> None:
    """Without noise 49 is the last sample before the lid, 70 the first behind it.

    Lines 0..49, 50..69 and 70..119 in one stretch: of these the middle one goes, and the stretch is two.
    """
    time, up = dip()
    lines, owner = np.array([[0, 49], [50, 69], [70, 119]]), np.zeros(3, dtype=np.int64)
    lids = find_lids(time, up, 0.02, lines, owner, 0.01)
    assert lids.tolist() == [[49, 70]]
    kept, of, stretches = without_lids(lines, np.array([[0, 119]]), lids)
    assert kept.tolist() == [[0, 49], [70, 119]]
    assert of.tolist() == [0, 1]
    assert stretches.tolist() == [[0, 49], [70, 119]]


@pytest.mark.parametrize("noise_deg", [1.0, np.inf])
def test_in_noise_nothing_is_told(noise_deg: float) -> None:
    """2 deg down are 2 standard errors of one sample's difference at most, or none at all."""
    time, up = dip()
    lines, owner = np.array([[0, 49], [50, 69], [70, 119]]), np.zeros(3, dtype=np.int64)
    assert len(find_lids(time, up, noise_deg, lines, owner, 0.01)) == 0


def test_no_lid_reaches_over_a_stretch() -> None:
    time, up = dip()
    lines = np.array([[0, 49], [50, 69], [70, 119]])
    assert len(find_lids(time, up, 0.02, lines, np.array([0, 0, 1]), 0.01)) == 0
    assert len(find_lids(time[:0], up[:0], 0.02, lines[:0], np.empty(0, dtype=np.int64), 0.01)) == 0


def test_a_lid_that_opens_less_far_than_it_closed_is_one_all_the_same() -> None:
    """2 deg down and 1.4 up again: no way out is as far as the way back, and the only one is taken."""
    time, up = dip()
    up[70:] = -0.6
    lines, owner = np.array([[0, 49], [50, 69], [70, 119]]), np.zeros(3, dtype=np.int64)
    assert find_lids(time, up, 0.02, lines, owner, 0.01).tolist() == [[49, 70]]
