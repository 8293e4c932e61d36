"""Slow phases between fast ones that are given: by hand, at 100 samples/s, without noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.phases import Phases
from analysis.slow_phases import measure_slow_phases
from analysis.steps import STEP_DTYPE
from analysis.trace import Trace, trace_from_arrays

TIME = np.arange(0.0, 3.0, 0.01)


def moving(*corners: tuple[float, float], blinks_s: tuple[tuple[float, float], ...] = ()) -> Trace:
    """Across along straight lines between (s, deg); up at 1 deg/s, torsion at 2."""
    across = np.interp(TIME, [s for s, _ in corners], [deg for _, deg in corners])
    return trace_from_arrays("right", TIME, np.column_stack((across, TIME, 2 * TIME)), blinks_s=blinks_s)


def between(
    *fast_s: tuple[float, float], breaks_s: tuple[float, ...] = (), seen_s: tuple[float, ...] = (0.0, 2.99)
) -> Phases:
    """Phases with fast ones from start to end, and stretches that follow each other."""
    fast = np.zeros(len(fast_s), STEP_DTYPE)
    for row, (start_s, end_s) in zip(fast, fast_s, strict=True):
        row["start_s"], row["middle_s"], row["end_s"] = start_s, (start_s + end_s) / 2, end_s
    stretches = np.array(seen_s).reshape(-1, 2)
    return Phases(fast, np.array(breaks_s), stretches, np.full(3, 0.02), np.zeros(3))


def velocities(trace: Trace, phases: Phases) -> NDArray[np.float64]:
    return measure_slow_phases(trace, phases)["velocity_dps"]


def test_each_fast_phase_ends_one() -> None:
    """10 deg to the left in 1 s, back in 0.05 s, 5 deg in the next 1 s: -10 and -5 deg/s across."""
    trace = moving((0.0, 0.0), (1.0, -10.0), (1.05, 0.0), (2.05, -5.0), (2.1, 0.0))
    slow = measure_slow_phases(trace, between((1.0, 1.05), (2.05, 2.1)))
    assert slow["velocity_dps"] == pytest.approx(np.array([[-10.0, 1.0, 2.0], [-5.0, 1.0, 2.0]]), abs=1e-6)
    assert slow["start_s"].tolist() == [0.0, 1.05]
    assert slow["end_s"].tolist() == [1.0, 2.05]
    assert slow["complete"].tolist() == [False, True]
    assert slow["after_blink"].tolist() == [False, False]


def test_without_fast_phases_there_is_none() -> None:
    assert measure_slow_phases(moving((0.0, 0.0), (3.0, 1.0)), between()).size == 0


@pytest.mark.parametrize("breaks_s", [(1.0,), (0.5, 1.0, 1.5)])
def test_a_drift_that_sets_in_begins_it_anew(breaks_s: tuple[float, ...]) -> None:
    """Still for 1 s, then 12 deg/s for 1 s; at the other breaks nothing changes."""
    trace = moving((0.0, 0.0), (1.0, 0.0), (2.0, 12.0), (2.05, 0.0))
    (slow,) = measure_slow_phases(trace, between((2.0, 2.05), breaks_s=breaks_s))
    assert slow["start_s"] == 1.0
    assert slow["complete"]
    assert slow["velocity_dps"][0] == pytest.approx(12.0, abs=1e-6)


@pytest.mark.parametrize(
    ("break_s", "after_dps"),
    [
        (1.0, 10.0),  # nothing changes
        (1.0, 14.0),  # by 4 of 14 deg/s, less than half
        (1.95, 40.0),  # beyond doubt, but for 0.05 s only
        (0.05, 10.0),  # after 0.05 s of anything
        (1.985, 40.0),  # one sample is left
    ],
)
def test_what_is_no_turn(break_s: float, after_dps: float) -> None:
    until_deg = 10.0 * break_s
    last_deg = until_deg + after_dps * (2.0 - break_s)
    trace = moving((0.0, 0.0), (break_s, until_deg), (2.0, last_deg), (2.05, 0.0))
    (slow,) = measure_slow_phases(trace, between((2.0, 2.05), breaks_s=(break_s,)))
    assert (slow["start_s"], slow["complete"]) == (0.0, False)


def test_after_a_blink_and_after_a_loss_that_is_none() -> None:
    """A blink to 0.5 s, a fast phase at 1 s, nothing seen from 1.2 to 1.5 s, a fast phase at 2 s."""
    trace = moving((0.0, 0.0), (1.0, -10.0), (1.05, 0.0), (2.0, -9.5), (2.05, 0.0), blinks_s=((0.3, 0.5),))
    phases = between((1.0, 1.05), (2.0, 2.05), seen_s=(0.0, 0.29, 0.51, 1.2, 1.5, 2.99))
    slow = measure_slow_phases(trace, phases)
    assert slow["start_s"].tolist() == [0.51, 1.5]
    assert slow["complete"].tolist() == [False, False]
    assert slow["after_blink"].tolist() == [True, False]
    assert slow["velocity_dps"][:, 0] == pytest.approx([-10.0, -10.0], abs=1e-6)


@pytest.mark.parametrize(("readable_s", "torsion_dps"), [(0.4, np.nan), (0.6, 2.0)])
def test_torsion_needs_half_of_the_samples(readable_s: float, torsion_dps: float) -> None:
    whole = moving((0.0, 0.0), (1.0, -10.0), (1.05, 0.0))
    trace = trace_from_arrays("right", TIME, whole.position_deg, torsion_valid=readable_s > TIME)
    (found,) = velocities(trace, between((1.0, 1.05)))
    assert found == pytest.approx([-10.0, 1.0, torsion_dps], abs=1e-6, nan_ok=True)


def test_torsion_that_is_not_readable_hides_no_turn() -> None:
    whole = moving((0.0, 0.0), (1.0, 0.0), (2.0, 12.0), (2.05, 0.0))
    trace = trace_from_arrays(
        "right", TIME, whole.position_deg, torsion_valid=np.zeros(TIME.size, dtype=bool)
    )
    (slow,) = measure_slow_phases(trace, between((2.0, 2.05), breaks_s=(1.0,)))
    assert slow["start_s"] == 1.0
    assert slow["velocity_dps"] == pytest.approx([12.0, 1.0, np.nan], abs=1e-6, nan_ok=True)


@pytest.mark.parametrize(("lid_s", "behind"), [((1.0, 1.3), True), ((1.0, 1.4), False), ((0.9, 1.3), False)])
def test_what_a_lid_that_showed_the_pupil_cuts_short(lid_s: tuple[float, float], behind: bool) -> None:
    """The second stretch begins at 1.3 s: only a lid between it and the first, to 1 s, cut it short."""
    phases = between((2.0, 2.05), seen_s=(0.0, 1.0, 1.3, 2.99))
    phases = replace(phases, lids_s=np.array([lid_s]))
    (slow,) = measure_slow_phases(moving((0.0, 0.0), (2.0, 20.0), (2.05, 0.0)), phases)
    assert slow["after_blink"] == behind
