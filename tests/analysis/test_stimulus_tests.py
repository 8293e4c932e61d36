"""Timing and targets of the tests that need a stimulus, and what of a recording shows them."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from analysis.battery import BATTERY, DRIVEN, EVERY, procedure_named
from analysis.battery.stimulus_steps import FIELD_DPS, SACCADE_STEPS, random_steps, sine_targets
from analysis.procedure import Window
from analysis.stimulus import Jump, shown_from_arrays, shown_in
from capture.samples import Target
from tests.analysis.sawtooth import Made, Phase, make_recording


def test_what_needs_a_stimulus_is_measured_but_not_led_by_the_window() -> None:
    assert not {p.key for p in DRIVEN} & {p.key for p in BATTERY}
    assert all(procedure_named(p.key) is p for p in DRIVEN)
    assert len({p.key for p in EVERY}) == len(EVERY)


@pytest.mark.parametrize("test", DRIVEN, ids=lambda t: t.key)
def test_every_step_says_how_it_is_done(test) -> None:
    assert test.purpose
    assert test.preparation
    assert test.stop_signs
    for step in test.steps:
        assert 0 < step.shortest_s <= step.longest_s
        assert step.instruction
        assert step.action
        assert step.stimulus
        assert all(t.end_s > t.start_s >= 0 for t in step.targets)
        assert all(t.end_s <= step.longest_s + 1e-9 for t in step.targets)


@pytest.mark.parametrize(("way", "sign"), [("right", 1), ("left", -1)])
def test_a_field_is_titled_by_where_it_goes(way: str, sign: int) -> None:
    steps = {s.key: s.title for s in procedure_named("optokinetic").steps if s.key in FIELD_DPS}
    mine = {key: title for key, title in steps.items() if FIELD_DPS[key] * sign > 0}
    assert set(mine) == {f"field to the {way} {dps} deg/s" for dps in (20, 40)}
    assert set(mine.values()) == {f"Field to the {way}"}


@pytest.mark.parametrize(("step", "least", "reach"), [(0, 20, 15.0), (1, 8, 10.0)])
def test_saccade_targets_are_random_in_time_and_size_and_stay_in_reach(
    step: int, least: int, reach: float
) -> None:
    targets = SACCADE_STEPS[step].targets
    places = np.array([t[2 + step] for t in targets])
    jumps, holds = np.diff(places), np.array([t.end_s - t.start_s for t in targets])
    assert min(np.count_nonzero(jumps > 0), np.count_nonzero(jumps < 0)) >= least
    assert np.abs(places).max() <= reach
    assert holds.min() >= 1.0
    assert holds.max() <= 2.5
    assert holds.std() > 0.3
    assert len(set(np.abs(jumps).round(3))) >= 3
    assert all(a.end_s == b.start_s for a, b in itertools.pairwise(targets))


def test_the_same_seed_gives_the_same_targets() -> None:
    assert random_steps(True, (5.0,), 4, 3) == random_steps(True, (5.0,), 4, 3)
    assert random_steps(True, (5.0,), 4, 3) != random_steps(True, (5.0,), 4, 4)


def test_a_jump_that_cannot_stay_in_reach_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="sizes_deg"):
        random_steps(True, (5.0, 25.0), 4, 3, reach_deg=10.0)


def test_a_sine_in_angle() -> None:
    """15 deg at 0.4 Hz: a quarter of a cycle is 0.625 s; peak velocity 2 pi x 0.4 x 15 = 37.7 deg/s."""
    targets = sine_targets(15.0, 0.4, 5, 200.0)
    place = {round(t.start_s, 6): t.horizontal_deg for t in targets}
    assert (place[0.0], place[0.625], place[1.25]) == pytest.approx((0.0, 15.0, 0.0), abs=1e-9)
    fastest = max(abs(b.horizontal_deg - a.horizontal_deg) * 200 for a, b in itertools.pairwise(targets))
    assert fastest == pytest.approx(37.70, abs=0.05)
    assert targets[-1].end_s == pytest.approx(12.5)


class TestShown:
    """Targets of the recording go before those that the step asks for."""

    made = make_recording(Made((Phase("saccades horizontal", 20),)))
    window = Window("saccades horizontal", "fixation", 3.0, 23.0, 3.0)

    def test_the_steps_own_targets_count_from_its_start(self) -> None:
        shown = shown_in(self.made, self.window, SACCADE_STEPS[0])  # type: ignore[arg-type]
        assert shown is not None
        first, second = SACCADE_STEPS[0].targets[:2]
        assert shown.time_s[:2].tolist() == pytest.approx([3.0, 3.0 + second.start_s])
        assert shown.jumps(0)[0].size_deg == pytest.approx(second.horizontal_deg - first.horizontal_deg)

    def test_what_was_recorded_goes_first(self) -> None:
        stored = (*self.made.targets, Target(4.0, 6.0, 0.0, 0.0), Target(6.0, 9.0, 12.0, -3.0))
        shown = shown_in(replace(self.made, targets=stored), self.window, SACCADE_STEPS[0])  # type: ignore[arg-type]
        assert shown is not None
        assert shown.jumps(0) == (Jump(6.0, 9.0, 0.0, 12.0),)
        assert shown.jumps(1) == (Jump(6.0, 9.0, 0.0, -3.0),)

    def test_a_step_without_targets_shows_none(self) -> None:
        assert shown_in(self.made, self.window, replace(SACCADE_STEPS[0], targets=())) is None  # type: ignore[arg-type]

    @pytest.mark.parametrize(
        ("time_s", "position_deg", "end_s", "name"),
        [
            ([], np.empty((0, 2)), 1.0, "time_s"),
            ([0.0, 0.0], [[0, 0], [1, 0]], 1.0, "time_s"),
            ([0.0, 0.5], [[0, 0]], 1.0, "position_deg"),
            ([0.0], [[np.nan, 0]], 1.0, "position_deg"),
            ([0.0], [[0, 0]], 0.0, "end_s"),
        ],
    )
    def test_mistakes_name_the_argument(self, time_s, position_deg, end_s: float, name: str) -> None:
        with pytest.raises(ValueError, match=name):
            shown_from_arrays(time_s, position_deg, end_s)
