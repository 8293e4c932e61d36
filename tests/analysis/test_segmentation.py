from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.segmentation import average, residuals, segment, without_quick_lines

JUMP, SKIP, LONGEST_JUMP_S, LONGEST_LINE_S, FEWEST = 12.0, 4.0, 0.045, 0.3, 3


def line_cost(time: NDArray[np.float64], x: NDArray[np.float64]) -> float:
    """Squared residuals on all axes; none of an axis with less than three samples."""
    total = 0.0
    for axis in x.T:
        seen = np.isfinite(axis)
        if np.count_nonzero(seen) >= 3:
            design = np.column_stack((np.ones(np.count_nonzero(seen)), time[seen] - time[0]))
            total += float(np.linalg.lstsq(design, axis[seen], rcond=None)[1].sum())
    return total


def least_cost(time: NDArray[np.float64], x: NDArray[np.float64]) -> float:
    """The same minimum by trying every chain, without pruning and without running sums."""
    n = time.size
    best = np.full(n, np.inf)
    for end in range(n):
        for start in range(max(end - 60, 0), end - FEWEST + 2):  # samples are at least 5 ms apart
            if time[end] - time[start] > LONGEST_LINE_S:
                continue
            before = start * SKIP if time[start] - time[0] <= LONGEST_JUMP_S else np.inf
            for last in range(max(start - 10, 0), start):
                if last == start - 1 or time[start] - time[last] <= LONGEST_JUMP_S:
                    before = min(before, best[last] + JUMP + (start - last - 1) * SKIP)
            best[end] = min(best[end], before + line_cost(time[start : end + 1], x[start : end + 1]))
    return min(best[k] + (n - 1 - k) * SKIP for k in range(n) if time[-1] - time[k] <= LONGEST_JUMP_S)


def cost_of(lines: NDArray[np.int64], time: NDArray[np.float64], x: NDArray[np.float64]) -> float:
    inside = sum(int(b - a + 1) for a, b in lines)
    return (
        sum(line_cost(time[a : b + 1], x[a : b + 1]) for a, b in lines)
        + JUMP * (len(lines) - 1)
        + SKIP * (time.size - inside)
    )


@pytest.mark.parametrize("seed", range(8))
def test_the_chain_is_the_cheapest_there_is(seed: int) -> None:
    """Sawtooth of random jumps on uneven times, against an exhaustive search."""
    rng = np.random.default_rng(seed)
    time = np.cumsum(rng.uniform(0.007, 0.016, 45))
    x = rng.normal(size=(45, 3)) + np.outer(time, [40.0, -10.0, 5.0])
    for place in rng.integers(3, 42, 3):
        x[place:] += rng.normal(0, 8, 3)
    lines = segment(time, x, JUMP, SKIP, LONGEST_JUMP_S, LONGEST_LINE_S, FEWEST)
    assert cost_of(lines, time, x) == pytest.approx(least_cost(time, x), rel=1e-9)
    assert np.all(lines[:, 1] - lines[:, 0] + 1 >= FEWEST)
    assert np.all(lines[1:, 0] > lines[:-1, 1])


def test_a_long_stretch_far_from_0_has_the_cheapest_chain_too() -> None:
    """Sums begin anew on the way; torsion comes and goes. Against the exhaustive search."""
    rng = np.random.default_rng(3)
    time = 7000.0 + np.cumsum(rng.uniform(0.007, 0.016, 700))
    x = rng.normal(size=(700, 3)) + np.outer(time - time[0], [40.0, -10.0, 5.0]) + [900.0, -400.0, 100.0]
    for place in range(30, 700, 25):
        x[place:] -= rng.normal(9, 2, 3)
    x[:, 2][rng.random(700) < 0.4] = np.nan
    lines = segment(time, x, JUMP, SKIP, LONGEST_JUMP_S, LONGEST_LINE_S, FEWEST)
    assert len(lines) >= 27
    assert cost_of(lines, time, x) == pytest.approx(least_cost(time, x), rel=1e-9)


def test_torsion_that_is_missing_costs_nothing() -> None:
    time = np.arange(30) / 100
    x = np.random.default_rng(0).normal(size=(30, 3))
    x[15:, 0] += 20
    x[:, 2] = np.nan
    lines = segment(time, x, JUMP, SKIP, LONGEST_JUMP_S, LONGEST_LINE_S, FEWEST)
    assert lines.tolist() == [[0, 14], [15, 29]]


def test_what_no_chain_reaches_begins_no_line() -> None:
    """Samples 1 s apart, no jump longer than 0.15 s: a line can only begin with the first of them."""
    time = np.arange(6.0)
    x = np.column_stack((2.0 * time, np.zeros((6, 2))))
    assert segment(time, x, 25.0, 7.0, 0.15, 10.0, 3).tolist() == [[0, 5]]


@pytest.mark.parametrize("count", [0, 1, 2])
def test_too_few_samples_give_no_line(count: int) -> None:
    lines = segment(np.arange(count) / 100, np.zeros((count, 3)), JUMP, SKIP, LONGEST_JUMP_S, 1.0, FEWEST)
    assert lines.shape == (0, 2)


def test_average_by_hand() -> None:
    """Groups of two: times 0.5, 2.5, then 4 alone; torsion of the one sample that has it."""
    position = np.array([[0, 0, 1], [2, 4, np.nan], [4, 0, np.nan], [6, 2, np.nan], [9, 9, 9]], float)
    time, mean = average(np.arange(5.0), position, 2)
    assert time.tolist() == [0.5, 2.5, 4.0]
    assert mean.tolist()[0] == [1, 2, 1]
    assert mean[1, :2].tolist() == [5, 1]
    assert np.isnan(mean[1, 2])
    assert mean.tolist()[2] == [9, 9, 9]


def test_residuals_by_hand() -> None:
    """0, 1, 0, 1 about its line 0.2 + 0.2 t: -0.2, 0.6, -0.6, 0.2, widened by sqrt(4 / 2)."""
    position = np.zeros((5, 3))
    position[:4, 0] = [0, 1, 0, 1]
    rest = residuals(np.arange(5.0), position, np.array([[0, 3]]))
    assert rest[:4, 0] == pytest.approx(np.sqrt(2) * np.array([-0.2, 0.6, -0.6, 0.2]))
    assert np.isnan(rest[4]).all()


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_slow_phase_between_two_quick_lines_is_no_quick_line(sign: float) -> None:
    """Slow at 100 deg/s for 0.15 s, back at -200 deg/s for 0.075 s: the faster of the two lines is quick."""
    time = np.arange(0, 0.9, 0.005)
    place = np.interp(time % 0.225, [0.0, 0.15, 0.225], [0.0, 15.0, 0.0])
    starts = np.array([0, 30, 45, 75, 90, 120, 135, 165])
    lines = np.column_stack((starts, np.r_[starts[1:], time.size] - 1))
    position = np.column_stack((sign * place, np.zeros((time.size, 2)))) / 0.1
    kept = without_quick_lines(time, position, lines, np.zeros(8, np.int64), 0.15)
    assert kept.tolist() == [True, False] * 3 + [True, True]  # of the last one nothing is known after it
