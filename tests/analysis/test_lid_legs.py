"""One leg of a lid, the other of which a quick phase or a gap hides: told by its stray to the side."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.lid_legs import find_lid_legs

Floats = NDArray[np.float64]
BEATS = np.array([[0.0, y, 0.0] for y in (4.0, 5.0, 6.0, 5.0, 4.0, 6.0)])  # upward, one each second


def legs(
    first: list[float],
    second: list[float] | None = None,
    *,
    apart_s: float = 0.2,
    edge_s: float | None = None,
    beats: Floats = BEATS,
    measured: Floats | None = None,
) -> list[bool]:
    """Which of one or two movements, the first at 2.5 s, are legs of a lid among these beats.

    A movement lasts 0.04 s; the trace is broken `edge_s` after the middle of the first.
    """
    extra = [(2.5, first)] + ([(2.5 + apart_s, second)] if second else [])
    rows = sorted([(k + 0.0, step.tolist()) for k, step in enumerate(beats)] + extra)
    middle_s = np.array([at_s for at_s, _ in rows])
    steps = np.array([step for _, step in rows])
    known = np.ones(steps.shape, np.uint8)
    if measured is not None:
        known[np.isin(middle_s, [2.5])] = measured
    edges_s = np.array([-1.0, 9.0] if edge_s is None else sorted((-1.0, 2.5 + edge_s, 9.0)))
    times_s = np.column_stack((middle_s - 0.02, middle_s, middle_s + 0.02))
    found = find_lid_legs(times_s, steps, known, np.ones(len(steps), bool), edges_s)
    mine = [bool(found[np.searchsorted(middle_s, at_s)]) for at_s, _ in extra]
    assert found.sum() == sum(mine)  # none of the beats
    return mine


UP, DOWN = BEATS, -BEATS


class TestTheOtherLegInAQuickPhase:
    def test_a_rise_among_beats_that_go_up(self) -> None:
        """A fall of 4 within a beat of 9, then the rise: only the rise is no beat."""
        assert legs([0.5, 5.0, -0.5], [-0.5, 4.0, 0.5], beats=UP) == [False, True]

    def test_a_fall_among_beats_that_go_down(self) -> None:
        assert legs([0.5, -4.0, -0.5], [-0.5, -5.0, 0.5], beats=DOWN) == [True, False]

    def test_among_oblique_beats(self) -> None:
        """Beats 1 to the right for 3 up; the lid goes straight up and down, which strays from them."""
        oblique = np.array([[y / 3, y, 0.0] for y in BEATS[:, 1]])
        assert legs([3.0, 5.0, 0.0], [0.0, 4.0, 0.0], beats=oblique) == [False, True]

    @pytest.mark.parametrize(
        ("first", "second", "apart_s"),
        [
            ([0.5, 5.0, -0.5], [0.0, 4.0, 0.0], 0.2),  # the second strays from nothing
            ([0.5, 5.0, -0.5], [0.5, 4.0, -0.5], 0.2),  # to the same side: not given back
            ([0.5, 5.0, -0.5], [-0.5, 4.0, 0.5], 0.7),  # too late for a lid
            ([0.5, 0.2, 0.0], [-0.5, 4.0, 0.0], 0.2),  # a jerk to the side holds no leg
            ([3.0, 2.0, 0.0], [-3.0, 2.0, 0.0], 0.2),  # as much to the side as up: no lid
        ],
    )
    def test_else_it_stays_a_beat(self, first: list[float], second: list[float], apart_s: float) -> None:
        assert legs(first, second, apart_s=apart_s) == [False, False]

    @pytest.mark.parametrize("side", [1.0, -1.0])
    @pytest.mark.parametrize("turn", [1.0, -1.0])
    def test_to_whatever_side_and_whichever_way_it_turns(self, side: float, turn: float) -> None:
        first, second = [0.5 * side, 5.0, 0.5 * turn], [-0.5 * side, 4.0, -0.5 * turn]
        assert legs(first, second, beats=UP) == [False, True]


class TestTheOtherLegHidden:
    @pytest.mark.parametrize(("edge_s", "found"), [(0.05, True), (0.3, False), (-0.05, False)])
    def test_a_fall_is_told_from_what_is_just_behind_it(self, edge_s: float, found: bool) -> None:
        assert legs([0.5, -4.0, -0.5], edge_s=edge_s, beats=DOWN) == [found]

    @pytest.mark.parametrize(("edge_s", "found"), [(-0.05, True), (-0.3, False), (0.05, False)])
    def test_a_rise_from_what_is_just_before_it(self, edge_s: float, found: bool) -> None:
        assert legs([0.5, 4.0, -0.5], edge_s=edge_s, beats=UP) == [found]


class TestWhatTellsNothing:
    def test_beats_that_stray_themselves(self) -> None:
        """By 0.5 deg to either side: another 0.5 is nothing special."""
        loose = DOWN + np.outer((1, -1, 1, -1, 1, -1), (0.5, 0.0, 0.5))
        assert legs([0.5, -4.0, -0.5], edge_s=0.05, beats=loose) == [False]

    def test_too_few_beats(self) -> None:
        assert legs([0.5, -4.0, -0.5], edge_s=0.05, beats=DOWN[:2]) == [False]

    def test_torsion_that_is_known_of_the_others_only(self) -> None:
        assert legs([0.5, -4.0, 0.0], edge_s=0.05, beats=DOWN, measured=np.array([1, 1, 0])) == [False]
