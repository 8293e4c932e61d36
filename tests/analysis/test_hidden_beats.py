"""Quick phases too small to be found: told by the steps of a trace, and heeded by its drift."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.hidden_beats import _speed, hidden_quick_phases, with_hidden_beats
from analysis.nystagmus import drift
from analysis.trace import Trace, trace_from_arrays

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
@pytest.mark.parametrize("dps", [2.0, -2.0])
def test_the_side_and_size_of_quick_phases_are_told(dps: float, axis: int) -> None:
    """Of 0.8 deg through noise of 0.15 deg, against the slow phase."""
    size_deg, errors = hidden_quick_phases(beating(dps, 0.8, 0.15, 1, axis), 0.0, 20.0, axis)
    assert size_deg * dps < 0
    assert abs(size_deg) == pytest.approx(0.8, abs=0.3)
    assert errors > 3.0


def test_of_quiet_eyes_hardly_any_tells_of_beats() -> None:
    """20 eyes with noise: more than three beyond two standard errors by a chance of 1 in 60 (binomial)."""
    told = [hidden_quick_phases(beating(0.0, 1.0, 0.2, seed), 0.0, 20.0, 0)[1] > 2.0 for seed in range(20)]
    assert sum(told) <= 3


def test_a_jerk_there_and_back_is_no_beat() -> None:
    """1.5 deg to the right and 0.2 s later back, every two seconds."""
    place = np.random.default_rng(3).normal(0.0, 0.1, (TIME.size, 3))
    place[:, 0] += 1.5 * (np.mod(TIME, 2.0) > 1.5) * (np.mod(TIME, 2.0) < 1.7)
    assert hidden_quick_phases(trace_from_arrays("right", TIME, place), 0.0, 20.0, 0)[1] < 2.0


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_drift_heeds_them(sign: float) -> None:
    """3 deg/s and quick phases of 0.8 deg, 3.4 a second: most pieces of a quarter of a second hold one."""
    trace = beating(3.0 * sign, 0.8, 0.15, 4)
    bare = drift(trace, 0.0, 20.0, 0, 0.25)
    assert bare is not None
    heeding = with_hidden_beats(bare, trace, 0.0, 20.0, 0)
    assert abs(bare.median) < 1.5
    assert abs(heeding.median - 3.0 * sign) < abs(bare.median - 3.0 * sign)
    assert heeding.interval[0] < 3.0 * sign < heeding.interval[1]
    assert not bare.interval[0] < 3.0 * sign < bare.interval[1]


def test_mirrored_it_is_mirrored() -> None:
    trace = beating(3.0, 0.8, 0.15, 5)
    other = replace(trace, position_deg=-trace.position_deg)
    one, two = (
        with_hidden_beats(d, t, 0.0, 20.0, 0) for t in (trace, other) if (d := drift(t, 0.0, 20.0, 0, 0.25))
    )
    assert two.median == pytest.approx(-one.median)
    assert two.interval == pytest.approx((-one.interval[1], -one.interval[0]))


def test_without_a_trace_nothing_is_told() -> None:
    unseen = trace_from_arrays("right", TIME, np.full((TIME.size, 3), np.nan))
    assert hidden_quick_phases(unseen, 0.0, 20.0, 0) == (0.0, 0.0)
    assert hidden_quick_phases(beating(2.0, 0.8, 0.1, 6), 0.0, 0.02, 0) == (0.0, 0.0)


def test_an_eye_that_never_moves_tells_no_side() -> None:
    still = trace_from_arrays("right", TIME, np.full((TIME.size, 3), 0.5))
    assert hidden_quick_phases(still, 0.0, 20.0, 0) == (0.0, 0.0)


def test_too_few_frames_for_short_pieces_leave_the_far_end_to_the_value() -> None:
    """At 12.5 pictures a second 0.12 s hold two of them, which make no slope."""
    fine = beating(3.0, 0.8, 0.02, 7)
    slow = trace_from_arrays("right", TIME[::8], fine.position_deg[::8])
    found = drift(slow, 0.0, 20.0, 0, 0.25)
    assert found is not None
    assert hidden_quick_phases(slow, 0.0, 20.0, 0)[1] > 3
    heeded = with_hidden_beats(found, slow, 0.0, 20.0, 0)
    assert heeded.median > found.median
    assert heeded.interval == (found.interval[0], max(found.interval[1], heeded.median))


def test_the_drift_that_leaves_the_median_of_the_untouched() -> None:
    """Half the pieces of 0.2 s hold a quick phase of 0.4 deg, the others lie about 1 deg/s: 1 x 0.2 / 0.4."""
    slopes = np.r_[np.linspace(0.9, 1.1, 2001), np.full(2001, -1.0)]
    assert _speed(slopes, 0.2, 0.4) == pytest.approx(1.0, abs=0.01)
