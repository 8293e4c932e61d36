"""Beats too small to be seen one by one: told by all of a trace, and heeded by a drift or by those seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.beats import find_beats
from analysis.hidden_beats import heeding, hidden_slope
from analysis.line_evidence import log_evidence
from analysis.nystagmus import Middle, drift
from analysis.shared_slope import SharedSlope, sample_noise_deg, shared_slope
from analysis.trace import Trace, trace_from_arrays
from tests.analysis.movement import steady_gaze

TIME = np.arange(0.0, 20.0, 0.01)
AXES = {0: "horizontal", 1: "vertical", 2: "torsional"}


def beating(dps: float, size_deg: float, noise_deg: float, seed: int, axis: int = 0) -> Trace:
    """Drifts at `dps` and is brought back by quick phases of 30 ms; they last as long as `size_deg` asks."""
    place = np.random.default_rng(seed).normal(0.0, noise_deg, (TIME.size, 3))
    period_s = size_deg / abs(dps) + 0.03 if dps else np.inf
    within = np.mod(TIME, period_s)
    back = np.clip((within - (period_s - 0.03)) / 0.03, 0.0, 1.0)
    place[:, axis] += dps * (np.minimum(within, period_s - 0.03) - size_deg / max(abs(dps), 1e-9) * back)
    return trace_from_arrays("right", TIME, place)


@pytest.mark.parametrize("axis", AXES, ids=AXES.get)
@pytest.mark.parametrize(("dps", "size_deg", "noise_deg"), [(4.0, 0.69, 0.17), (-2.0, 0.5, 0.12)])
def test_a_velocity_is_told_whose_beats_hide(
    dps: float, size_deg: float, noise_deg: float, axis: int
) -> None:
    """The median slope of quarters of a second, most of which hold a quick phase, is less than half of it."""
    trace = beating(dps, size_deg, noise_deg, 1, axis)
    bare, found = drift(trace, 0.0, 20.0, axis, 0.25), shared_slope(trace, 0.0, 20.0, axis)
    assert bare is not None
    assert found is not None
    assert abs(bare.median) < abs(dps) / 2
    assert found.certain
    assert found.velocity_dps == pytest.approx(dps, rel=0.15)
    assert found.interval[0] < dps < found.interval[1]


@pytest.mark.parametrize("noise_deg", [0.05, 0.1, 0.2])
def test_of_an_eye_at_rest_none_is_sure(noise_deg: float) -> None:
    """With wander, fixation saccades and ten square-wave jerks a minute; none of six may seem to beat."""
    for seed in range(6):
        rng = np.random.default_rng([seed, 3])
        trace = steady_gaze(20.0, rng, 10.0).trace(100.0, noise_deg, rng)
        found = shared_slope(trace, 0.0, 20.0, 0)
        assert found is not None
        assert not found.certain
        assert abs(found.velocity_dps) < 0.5


def test_mirrored_it_is_mirrored() -> None:
    trace = beating(3.0, 0.8, 0.15, 5)
    one, two = (
        shared_slope(t, 0.0, 20.0, 0) for t in (trace, replace(trace, position_deg=-trace.position_deg))
    )
    assert one is not None
    assert two is not None
    assert two.velocity_dps == pytest.approx(-one.velocity_dps, rel=1e-6)
    assert two.interval == pytest.approx((-one.interval[1], -one.interval[0]), rel=1e-6)


def test_a_nystagmus_of_half_the_span_is_not_that_of_all_of_it() -> None:
    """10 s of beats that hide, 10 s of rest."""
    trace = beating(4.0, 0.69, 0.17, 6)
    place = trace.position_deg.copy()
    place[TIME > 10] = np.random.default_rng(7).normal(0.0, 0.17, (int(np.count_nonzero(TIME > 10)), 3))
    found = shared_slope(trace_from_arrays("right", TIME, place), 0.0, 20.0, 0)
    assert found is not None
    assert not found.certain


@pytest.mark.parametrize("hz", [2.5, 4.0, 5.5])
def test_an_eye_that_swings_hides_no_beats(hz: float) -> None:
    """A degree to either side, through noise of 0.2: as fast one way as the other."""
    place = np.random.default_rng(11).normal(0.0, 0.2, (TIME.size, 3))
    place[:, 0] += np.sin(2 * np.pi * hz * TIME)
    found = shared_slope(trace_from_arrays("right", TIME, place), 0.0, 20.0, 0)
    assert found is not None
    assert not found.certain


@pytest.mark.parametrize("unseen", [slice(None), slice(None, None, 2), slice(400, None)])
def test_without_enough_of_a_trace_nothing_is_told(unseen: slice) -> None:
    """Nothing, no three pictures in turn, 4 s."""
    place = beating(3.0, 0.8, 0.1, 8).position_deg.copy()
    place[unseen] = np.nan
    assert shared_slope(trace_from_arrays("right", TIME, place), 0.0, 20.0, 0) is None


def test_an_eye_that_never_moves_has_no_velocity() -> None:
    found = shared_slope(trace_from_arrays("right", TIME, np.full((TIME.size, 3), 0.5)), 0.0, 20.0, 0)
    assert found is not None
    assert not found.certain
    assert found.velocity_dps == pytest.approx(0.0, abs=0.01)


def test_the_noise_of_a_sample_is_told_beside_quick_phases() -> None:
    assert sample_noise_deg(beating(4.0, 1.0, 0.2, 9), 0.0, 20.0, 0) == pytest.approx(0.2, rel=0.15)


def test_beats_that_are_clearly_seen_hide_none() -> None:
    """Quick phases of 2 deg through noise of 0.1: 20 of its standard deviations; through 0.35 not six."""
    clear, poor = beating(4.0, 2.0, 0.1, 10), beating(4.0, 2.0, 0.35, 10)
    for trace, hides in ((clear, False), (poor, True)):
        beats = [b for b in find_beats(trace) if b.accepted]
        assert len(beats) >= 3
        assert (hidden_slope(trace, beats, 0, 0.0, 20.0) is not None) == hides


def test_what_is_not_sure_widens_the_interval_alone() -> None:
    bare = Middle(0.1, (0.0, 0.2), 0.1, (-0.1, 0.3), 80)
    unsure, sure = SharedSlope(1.0, (-0.5, 2.0), False, False), SharedSlope(1.0, (0.5, 2.0), True, False)
    assert heeding(bare, None) == bare
    assert heeding(bare, replace(unsure, excluded=True)) == bare
    assert heeding(replace(bare, median=1.1), sure) == replace(bare, median=1.1)  # they never make it faster
    assert heeding(bare, unsure) == replace(bare, interval=(-0.5, 2.0))
    heeded = heeding(bare, sure)
    assert (heeded.median, heeded.interval) == (1.0, (0.5, 2.0))
    assert heeded.standard_error == pytest.approx(1.5 / 2 / 1.96)


def test_evidence_by_hand() -> None:
    """One line of three samples, the only one allowed: (slope - v)^2 / 2 / (error^2 + stray^2).

    Places 0, 1, 2 deg at 0, 1, 2 s with noise of 1 deg: slope 1, error^2 = 1 / 2; stray^2 = 1 / 2. Against a
    slope of 1, one of 3 is less likely by 4 / 2 / 1 = 2.
    """
    lasts = np.array([-1e250, -1e250, -1e250, 0.0])
    logs = log_evidence(
        np.arange(3.0), np.arange(3.0), np.zeros(3), np.ones(3), lasts, np.array([1.0]), np.array([1.0, 3.0]),
        0.5**0.5, 1.0, 1e-9,
    )  # fmt: skip
    assert logs[0] - logs[1] == pytest.approx(2.0, abs=0.05)
