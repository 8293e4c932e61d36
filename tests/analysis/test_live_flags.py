"""Flutter and eyes that are not level, seen while they last, and what looks like them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.live_flags import FLUTTER, flutter_sign, level_sign
from analysis.trace import Trace, trace_from_arrays
from capture.samples import EYES, Eye
from tests.analysis.movement import Movement, nystagmus, steady_gaze

SECONDS, NOW_S = 12.0, 11.5
Shift = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]


def seen(
    movement: Movement, rate_hz: float = 250.0, moved: dict[Eye, Shift] | None = None
) -> dict[Eye, Trace]:
    """The same movement in both eyes, each with a noise of its own; `moved` adds degrees (n, 3)."""
    traces: dict[Eye, Trace] = {}
    for eye in EYES:
        rng = np.random.default_rng(EYES.index(eye))
        made = replace(movement.trace(rate_hz, (0.05, 0.05, 0.2), rng), eye=eye)
        if moved is not None and eye in moved:
            place = made.position_deg + moved[eye](made.time_s, made.position_deg)
            made = trace_from_arrays(eye, made.time_s, place, valid=made.valid)
        traces[eye] = made
    return traces


def flutter(
    hz: float, size_deg: float, first_s: float, lasts_s: float, axes: tuple[int, ...] = (0,)
) -> Shift:
    """Saccades to and fro without a pause, `hz` times a second."""

    def shift(time_s: NDArray[np.float64], place: NDArray[np.float64]) -> NDArray[np.float64]:
        on = (time_s >= first_s) & (time_s < first_s + lasts_s)
        wave = np.where(on, 0.5 * size_deg * (1 - np.cos(2 * np.pi * hz * (time_s - first_s))), 0.0)
        added = np.zeros_like(place)
        for axis in axes:
            added[:, axis] = wave
        return added

    return shift


def raised(deg: float, from_s: float = 0.0) -> Shift:
    return lambda time_s, place: np.outer(np.where(time_s >= from_s, deg, 0.0), [0.0, 1.0, 0.0])


def healthy(seed: int) -> Movement:
    return steady_gaze(SECONDS, np.random.default_rng(seed), jerks_per_min=20.0)


@pytest.mark.parametrize(("hz", "size_deg", "axes"), [(10, 3, (0,)), (13, 2, (0,)), (12, 4, (0, 1))])
def test_flutter_is_told_while_it_lasts(hz: float, size_deg: float, axes: tuple[int, ...]) -> None:
    burst = flutter(hz, size_deg, 10.0, 0.6, axes)
    traces = seen(healthy(1), moved=dict.fromkeys(EYES, burst))
    assert flutter_sign(traces, NOW_S) == FLUTTER
    assert flutter_sign(traces, 9.9) == ""  # not yet
    assert flutter_sign(traces, 14.0) == ""  # no more


def test_swings_of_one_eye_alone_are_no_flutter() -> None:
    assert flutter_sign(seen(healthy(1), moved={"left": flutter(12, 3, 10.0, 0.6)}), NOW_S) == ""


def test_sixty_frames_a_second_do_not_show_flutter() -> None:
    assert flutter_sign(seen(healthy(1), 60.0, dict.fromkeys(EYES, flutter(12, 3, 10.0, 0.6))), NOW_S) == ""


@pytest.mark.parametrize("seed", range(6))
def test_healthy_eyes_with_saccades_jerks_and_blinks_show_neither(seed: int) -> None:
    traces = seen(healthy(seed))
    for now_s in np.arange(4.0, SECONDS, 1.0):
        assert flutter_sign(traces, now_s) == ""
        assert level_sign(traces, now_s) == ""


@pytest.mark.parametrize("velocity", [(-110.0, 0.0, 0.0), (40.0, 0.0, 5.0), (0.0, -45.0, -23.0)])
@pytest.mark.parametrize("beats_per_s", [2.5, 5.0])
def test_fast_nystagmus_shows_neither(velocity: tuple[float, float, float], beats_per_s: float) -> None:
    traces = seen(nystagmus(velocity, SECONDS, np.random.default_rng(3), beats_per_s))
    for now_s in np.arange(4.0, SECONDS, 1.0):
        assert flutter_sign(traces, now_s) == ""
        assert level_sign(traces, now_s) == ""


@pytest.mark.parametrize(("deg", "eye"), [(4.5, "RIGHT"), (-4.5, "LEFT")])
def test_an_eye_that_stands_higher_is_told_by_its_side(deg: float, eye: str) -> None:
    traces = seen(healthy(2), moved={"right": raised(deg)})
    assert level_sign(traces, NOW_S) == (
        f"Eyes not level: {eye} eye higher. If the goggles have not moved: doctor now."
    )
    beating = nystagmus((0.0, -20.0, -8.0), SECONDS, np.random.default_rng(4))
    assert f"{eye} eye higher" in level_sign(seen(beating, moved={"right": raised(deg)}), NOW_S)


def test_a_small_or_short_difference_is_none() -> None:
    assert level_sign(seen(healthy(2), moved={"right": raised(2.0)}), NOW_S) == ""
    assert level_sign(seen(healthy(2), moved={"right": raised(5.0, 10.5)}), NOW_S) == ""


def test_eyes_that_are_up_and_down_together_are_level() -> None:
    assert level_sign(seen(healthy(2), moved=dict.fromkeys(EYES, raised(8.0))), NOW_S) == ""


def test_one_eye_alone_tells_no_difference() -> None:
    traces = seen(healthy(2), moved={"right": raised(6.0)})
    assert level_sign({"right": traces["right"]}, NOW_S) == ""
    unseen = trace_from_arrays(
        "left",
        traces["left"].time_s,
        traces["left"].position_deg,
        valid=traces["left"].time_s < NOW_S - 3.5,
    )
    assert level_sign({"right": traces["right"], "left": unseen}, NOW_S) == ""


def test_an_eye_whose_frames_come_later_is_compared_all_the_same() -> None:
    """Two cameras are read one after the other: the last frames of one eye are not there yet."""
    traces = seen(healthy(2), moved={"right": raised(6.0)})
    left = traces["left"]
    there = left.time_s < NOW_S - 0.1
    late = trace_from_arrays("left", left.time_s[there], left.position_deg[there], valid=left.valid[there])
    until = traces["right"].time_s < NOW_S
    right = traces["right"]
    now = trace_from_arrays("right", right.time_s[until], right.position_deg[until], valid=right.valid[until])
    assert "RIGHT eye higher" in level_sign({"right": now, "left": late}, NOW_S)
