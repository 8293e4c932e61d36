"""The alternate cover test: which eye is higher, told by how each takes up fixation."""

from __future__ import annotations

from dataclasses import replace
from math import inf

import numpy as np
import pytest

from analysis.battery import procedure_named
from analysis.cover import deviations, refixations, uncoverings
from analysis.trace import trace_from_arrays
from capture.samples import EYES, Eye
from tests.analysis.sawtooth import Calibrated
from tests.analysis.stimulus_traces import STARTS_S, Eyed, EyePath, TrueSaccade, recorded, result_of, trace_of


class TestCover:
    changes = uncoverings(0.0, 12.0, 2.0)

    def test_when_the_cover_changes(self) -> None:
        assert [(c.at_s, c.until_s, c.eye) for c in self.changes[:2]] == [(2, 4, "right"), (4, 6, "left")]
        assert len(self.changes) == 5

    @pytest.mark.parametrize("deviation", [3.0, -2.0, 0.0])
    def test_either_eye_tells_which_is_higher(self, deviation: float) -> None:
        """The right eye higher by d: it moves down by d when it takes up fixation, and back."""
        path = EyePath()
        for k, change in enumerate(self.changes):
            path.saccades[1].append(
                TrueSaccade(change.at_s + 0.25, (-deviation if k % 2 == 0 else deviation) or 1e-9)
            )
        moved = refixations(trace_of(path, 12.0, Eyed(), np.random.default_rng(7)), self.changes, 1)
        assert deviations(moved, self.changes) == pytest.approx([deviation] * 5, abs=0.1)

    def test_a_change_that_was_not_seen_is_missing(self) -> None:
        trace = trace_of(EyePath(), 12.0, Eyed(blinks_s=((3.6, 4.1),)), np.random.default_rng(8))
        moved = refixations(trace, self.changes, 1)
        assert np.isfinite(moved).tolist() == [True, False, True, True, True]

    @pytest.mark.parametrize("covered_s", [0.0, -1.0, inf])
    def test_mistakes(self, covered_s: float) -> None:
        with pytest.raises(ValueError, match="covered_s"):
            uncoverings(0.0, 10.0, covered_s)
        with pytest.raises(ValueError, match="own"):
            deviations(np.zeros(2), self.changes)

    @pytest.mark.parametrize("samples", [0, 1])
    def test_a_trace_of_one_sample_or_none_shows_nothing(self, samples: int) -> None:
        trace = trace_from_arrays("right", np.arange(float(samples)), np.zeros((samples, 3)))
        assert np.isnan(refixations(trace, self.changes, 1)).all()

    def test_one_eye_tells_no_skew_of_both(self) -> None:
        procedure = procedure_named("alternate_cover")
        made = recorded(procedure, {"left": EyePath()}, Eyed(60.0), np.random.default_rng(9))
        found = {(f.key, f.eye): f for f in result_of(made).findings}
        assert found["vertical_deviation", None].reason == "one eye recorded"
        assert found["vertical_deviation", "left"].value == pytest.approx(0.0, abs=0.05)

    @pytest.mark.parametrize("eye", EYES)
    @pytest.mark.parametrize(
        ("deviation", "proven", "flagged"),
        [(5.0, True, True), (-5.0, True, True), (2.0, True, False), (5.0, False, False)],
    )
    def test_a_large_deviation_is_flagged(
        self, eye: Eye, deviation: float, proven: bool, flagged: bool
    ) -> None:
        path = EyePath()
        for k, change in enumerate(uncoverings(0.0, 40.0, 2.0)):
            path.saccades[1].append(TrueSaccade(change.at_s + 0.25, deviation if k % 2 else -deviation))
        procedure = procedure_named("alternate_cover")
        made = recorded(procedure, {eye: _later(path)}, Eyed(60.0), np.random.default_rng(12))
        if not proven:
            made.calibrations[eye] = Calibrated(calibrated=False, grade="none")
        flags = result_of(made).red_flags
        assert bool(flags) == flagged
        higher = "right" if deviation > 0 else "left"
        assert all(f"the {higher} eye is higher by 5.0 deg" in flag.text for flag in flags)

    def test_the_interval_holds_the_deviation(self) -> None:
        """Ten changes each with 0.3 deg of scatter of where the eye lands."""
        rng, held = np.random.default_rng(10), []
        changes = uncoverings(0.0, 40.0, 2.0)
        for _ in range(60):
            path, at = EyePath(), 0.0
            for k, change in enumerate(changes):
                to = (0.0 if k % 2 else -2.0) + rng.normal(0, 0.3)
                path.saccades[1].append(TrueSaccade(change.at_s + 0.25, to - at))
                at = to
            made = recorded(procedure_named("alternate_cover"), {"right": _later(path)}, Eyed(60.0), rng)
            found = {f.key: f for f in result_of(made).findings if f.eye == "right" and f.axis == "vertical"}
            interval = found["vertical_deviation"].interval
            assert interval is not None
            held.append(interval[0] <= 2.0 <= interval[1])
        assert np.mean(held) >= 0.85


def _later(path: EyePath) -> EyePath:
    moved = [replace(one, start_s=one.start_s + STARTS_S) for one in path.saccades[1]]
    return EyePath(saccades=([], moved))
