"""Velocity in a span: of its beats, of those that lie mostly inside, of beats and drift, of drift alone."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.beats import Beat, find_beats
from analysis.nystagmus import drift
from analysis.spans import velocity_in, with_hidden
from analysis.trace import trace_from_arrays

TIME = np.arange(0.0, 30.0, 0.01)


def drifting(dps: float, period_s: float = 0.5) -> np.ndarray:
    """(n, 3) a sawtooth across that drifts at `dps`, with quick phases of 50 ms."""
    within = np.mod(TIME, period_s)
    back = np.clip((within - (period_s - 0.05)) / 0.05, 0, 1)
    across = dps * (np.minimum(within, period_s - 0.05) - (period_s - 0.05) * (1 - np.cos(np.pi * back)) / 2)
    return np.column_stack((across, np.zeros((TIME.size, 2)))) + np.random.default_rng(3).normal(
        0, 0.02, (TIME.size, 3)
    )


@pytest.mark.parametrize(
    ("start_s", "end_s"),
    [
        (5.0, 15.0),  # twenty beats
        (5.2, 6.6),  # three lie mostly inside, two wholly
    ],
)
def test_of_the_beats_inside(start_s: float, end_s: float) -> None:
    trace = trace_from_arrays("right", TIME, drifting(12.0))
    found = velocity_in(trace, find_beats(trace), 0, start_s, end_s)
    assert found is not None
    assert found.value == pytest.approx(12.0, abs=0.3)


def test_of_the_drift_where_there_are_too_few_beats() -> None:
    """0.5 deg/s across for 30 s and never back."""
    place = np.column_stack((0.5 * TIME, np.zeros((TIME.size, 2))))
    found = velocity_in(trace_from_arrays("right", TIME, place), (), 0, 5.0, 15.0)
    assert found is not None
    assert found.value == pytest.approx(0.5, abs=0.001)


def test_of_an_eye_that_was_not_seen_nothing() -> None:
    place = np.full((TIME.size, 3), np.nan)
    assert velocity_in(trace_from_arrays("right", TIME, place), (), 0, 5.0, 15.0) is None


@pytest.mark.parametrize(("beats_end_s", "velocity_dps"), [(8.0, 0.3), (11.0, 12.0)])
def test_of_the_time_where_beats_fill_a_part_of_it(beats_end_s: float, velocity_dps: float) -> None:
    """From 5 to 15 s: beats at 12 deg/s for 3 s, then a drift of 0.3 deg/s for 7 s; or 6 s and 4 s."""
    place = drifting(12.0)
    after = beats_end_s <= TIME
    place[after, 0] = 0.3 * (TIME[after] - beats_end_s) + place[after, 2]  # the noise of another axis
    trace = trace_from_arrays("right", TIME, place)
    found = velocity_in(trace, find_beats(trace), 0, 5.0, 15.0)
    assert found is not None
    assert found.value == pytest.approx(velocity_dps, abs=0.3)
    assert found.interval[0] < velocity_dps < found.interval[1]


def beat(start_s: float, end_s: float, dps: float = 2.0) -> Beat:
    """An accepted beat whose slow phase goes right at `dps`, with a quick phase of 50 ms."""
    return Beat(
        "right", "horizontal", "left", start_s, end_s - 0.05, end_s - 0.05, end_s,
        (dps, 0.0, 0.0), (0.1, 0.1, 0.1), (-0.6, 0.0, 0.0), accepted=True, reason="",
    )  # fmt: skip


def test_beats_too_small_to_be_found_may_have_slowed_the_drift() -> None:
    """2 deg/s and three quick phases a second of 0.6 deg, seen through noise of 0.2 deg.

    Most quarters of a second hold a quick phase, which turns them back: their median is too slow. Whether or
    not others are known, the trace tells of them, and how fast the eye moves between them.
    """
    place = drifting(2.0, 1 / 3)
    place[:, 0] += np.random.default_rng(5).normal(0, 0.2, TIME.size)
    trace = trace_from_arrays("right", TIME, place)
    others = [beat(20.0 + k / 3, 20.0 + (k + 1) / 3) for k in range(9)]
    alone, beside = (velocity_in(trace, beats, 0, 5.0, 17.0) for beats in ((), others))
    assert alone is not None
    assert beside is not None
    bare = drift(trace, 5.0, 17.0, 0, 0.25)
    assert bare is not None
    assert bare.median < 1.0
    for found in (alone, beside):
        assert found.value == pytest.approx(2.0, abs=0.2)
        assert found.interval[0] < 2.0 < found.interval[1]


def test_how_far_beats_that_are_not_found_may_have_slowed_a_drift() -> None:
    """By hand: 40 pieces of 0.25 s with slopes of 0 to 39 deg/s, beats of half a second that fill none of it.

    Half of the pieces are touched: ranks 1/4 and 3/4, by chance 1.645 sqrt(3/16 / 40) = 0.1126 further out,
    so 0.1374 and 0.8626 of 39: 5.36 and 33.64 deg/s.
    """
    slopes = np.random.default_rng(3).permutation(40).astype(float)
    time = np.arange(0.0, 10.01, 0.01)
    edges = np.concatenate(([0.0], np.cumsum(slopes * 0.25)))
    place = np.zeros((time.size, 3))
    place[:, 0] = np.interp(time, np.arange(41) / 4, edges)
    beats = [beat(20 + k / 2, 20.5 + k / 2) for k in range(4)]
    low, high = with_hidden((19.0, 20.0), trace_from_arrays("right", time, place), beats, 0, (0.0, 10.0))
    assert low == pytest.approx(5.36, abs=0.3)
    assert high == pytest.approx(33.64, abs=0.3)


def test_one_beat_makes_no_nystagmus_that_might_go_on() -> None:
    """An eye at rest whose last beat of the gaze before reached into the span."""
    trace = trace_from_arrays("right", TIME, np.random.default_rng(6).normal(0, 0.1, (TIME.size, 3)))
    alone, beside = (velocity_in(trace, beats, 0, 5.0, 15.0) for beats in ((), [beat(4.0, 4.6)]))
    assert alone == beside


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_that_a_nystagmus_fades_is_no_doubt_of_its_median(sign: float) -> None:
    """From 5 to 1 deg/s within 10 s, two beats a second that stray by 0.2 deg/s: 3 deg/s.

    1.2533 x 0.2 / sqrt(20) = 0.056, 1.96 times that 0.11; the beats' own scatter would be 1.2 deg/s.
    """
    strays = np.random.default_rng(8).normal(0, 0.2, 20)
    beats = [beat(k / 2, (k + 1) / 2, sign * (5.0 - 0.4 * (k + 0.5) / 2) + strays[k]) for k in range(20)]
    found = velocity_in(trace_from_arrays("right", TIME, drifting(12.0)), beats, 0, 0.0, 10.0)
    assert found is not None
    assert found.value == pytest.approx(3.0 * sign, abs=0.25)
    assert 0.05 < (found.interval[1] - found.interval[0]) / 2 < 0.25


def test_many_beats_count_by_the_time_that_they_stand_for() -> None:
    """From 30 to 10 deg/s within 30 s, evenly, three beats a second at first and one at last: 20 deg/s.

    Of the beats themselves more than half are faster than 22 deg/s.
    """
    beats, now_s = [], 0.0
    while now_s < 29.0:
        lasts_s = 1 / 3 + 2 / 3 * now_s / 30
        beats.append(beat(now_s, now_s + lasts_s, 30 - 20 * (now_s + lasts_s / 2) / 30))
        now_s += lasts_s
    trace = trace_from_arrays("right", TIME, drifting(12.0))
    found = velocity_in(trace, beats, 0, 0.0, 30.0)
    assert np.median([b.slow_phase_velocity_dps[0] for b in beats]) > 22.0
    assert found is not None
    assert found.value == pytest.approx(20.0, abs=0.5)
    assert found.interval[1] - found.interval[0] < 4.0


@pytest.mark.parametrize("unseen", [slice(None), slice(None, None, 10)])
def test_what_was_not_seen_tells_of_no_hidden_beats(unseen: slice) -> None:
    """No sample at all, or no quarter of a second without a lost one: the interval stays."""
    place = drifting(2.0)
    place[unseen] = np.nan
    beats = [beat(20 + k / 2, 20.5 + k / 2) for k in range(4)]
    assert with_hidden((1.0, 2.0), trace_from_arrays("right", TIME, place), beats, 0, (0.0, 10.0)) == (1, 2)
