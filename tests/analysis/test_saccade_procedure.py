"""The saccade test as a whole: how saccades go, slow adduction, and what is not assessed says why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import nan

import numpy as np
import pytest

from analysis.battery import procedure_named
from capture.samples import Eye
from tests.analysis.sawtooth import Calibrated
from tests.analysis.stimulus_traces import STARTS_S, Eyed, EyePath, answering, jumps_of, recorded, result_of

STEP = "saccades horizontal"


def led(
    seen: Eyed = Eyed(),  # noqa: B008
    eyes: str = "both",
    slow: Sequence[tuple[Eye, int]] = (),
    scale: float = 1.0,
):
    """The test, gain 0.9; eyes in `slow` go the way of that sign at half their speed.

    Everything of the right eye is `scale` times as large.
    """
    procedure, rng = procedure_named("saccades"), np.random.default_rng(11)
    paths = {"right": EyePath(), "left": EyePath()}
    asked = jumps_of(procedure.steps[0].targets, 0, STARTS_S)
    mine, _ = answering(asked, 0, rng, (0.2, 0.01), 0.9, 0.01, speed_sd=0.01)
    for eye, path in paths.items():
        for one in mine.saccades[0]:
            half = (eye, np.sign(one.size_deg)) in slow
            path.saccades[0].append(replace(one, speed=one.speed * (0.5 if half else 1.0)))
    if eyes == "right":
        del paths["left"]
    steps = replace(procedure, steps=procedure.steps[:1])
    made = recorded(steps, paths, seen, rng)  # type: ignore[arg-type]
    made.samples["right"]["horizontal_deg"] *= scale
    return made


class TestWhole:
    """The procedure as a whole: what is not assessed says why."""

    def found(self, recording) -> dict:
        return {(f.key, f.step, f.eye): f for f in result_of(recording).findings}

    def test_how_the_saccades_go(self) -> None:
        """Minimum jerk: the peak in the middle, 1.875 of the mean velocity.

        On the main sequence a saccade of 9 deg lasts 1.875 x 9 / 261.3 = 65 ms, one of 27 deg 1.875 x 27 /
        470.9 = 108 ms: about 2.4 ms a degree.
        All are short by a tenth, and corrected where that is 0.5 deg or more: those of 10 deg and more.
        """
        found = self.found(led())
        every = [j.size_deg for j in jumps_of(procedure_named("saccades").steps[0].targets, 0)]
        asked = [size for size in every if size > 0]
        large = [size for size in asked if size > 9]
        for eye in ("right", "left"):
            assert found["saccade_skewness_right", STEP, eye].value == pytest.approx(0.5, abs=0.02)
            assert found["saccade_peak_to_mean_right", STEP, eye].value == pytest.approx(1.875, rel=0.03)
            slope = found["saccade_duration_per_deg_right", STEP, eye].value
            assert slope == pytest.approx((108 - 65) / 18, rel=0.15)
            assert found["saccade_gain_final_right", STEP, eye].value == pytest.approx(1.0, abs=0.01)
            percent = found["saccades_corrected_right", STEP, eye].value
            assert 100 * len(large) / len(asked) <= percent <= 100
            size = found["corrective_saccade_size_right", STEP, eye].value
            assert size == pytest.approx(np.median(asked) / 10, rel=0.25)

    def test_slow_adduction_shows_in_both_eyes_only(self) -> None:
        """To the left the left eye abducts: twice as fast as the right; to the right alike."""
        found = self.found(led(slow=[("right", -1)]))
        assert found["versional_dysconjugacy_left", STEP, None].value == pytest.approx(2.0, abs=0.06)
        assert found["versional_dysconjugacy_right", STEP, None].value == pytest.approx(1.0, abs=0.03)
        assert found["saccade_speed_left", STEP, "right"].value == pytest.approx(50.0, abs=1.5)

    @pytest.mark.parametrize(
        ("slow", "named"),
        [
            ([], []),
            ([("right", -1)], ["right"]),
            ([("left", 1)], ["left"]),
            ([("right", -1), ("left", 1)], ["right", "left"]),
        ],
    )
    def test_slow_adduction_is_named_with_what_else_fits(self, slow: list, named: list[str]) -> None:
        """The right eye turns in to the left, the left eye to the right; both: of both eyes."""
        result = result_of(led(slow=slow))
        assert len(result.fits) == len(named)
        for eye in named:
            (said,) = (t for t in result.fits if f"adduction of the {eye} eye is slow" in t)
            assert f"Fits internuclear ophthalmoplegia named after the {eye} eye" in said
            assert "also fit" in said
        flags = [flag.text for flag in result.red_flags]
        assert len(flags) == bool(named)
        assert all(f"{eye} eye" in flags[0] for eye in named)
        assert bool(named) == any(f.verdict == "outside" for f in result.findings)

    @pytest.mark.parametrize(("slow", "eye"), [(("right", 1), "right"), (("left", -1), "left")])
    def test_slow_abduction_is_another_thing_and_may_be_exchanged_cameras(self, slow, eye: str) -> None:
        result = result_of(led(slow=[slow]))
        (said,) = result.fits
        assert f"abduction of the {eye} eye is slow" in said
        assert "exchanged cameras also fit" in said
        assert "internuclear" not in said
        assert not result.red_flags

    @pytest.mark.parametrize("scale", [1.25, 0.8])
    def test_a_wrong_scale_of_one_eye_is_no_slow_adduction(self, scale: float) -> None:
        """To one side the index is 1.25, to the other 1 / 1.25: the same eye is faster both ways."""
        result = result_of(led(scale=scale))
        (said,) = result.fits
        assert "wrong scale of one eye" in said
        assert not result.red_flags

    @pytest.mark.parametrize(("scale", "index"), [(1.12, 1.79), (0.9, 2.22)])
    def test_slow_adduction_shows_through_a_wrong_scale(self, scale: float, index: float) -> None:
        """To the left 2 / 1.12 = 1.79 and 2 / 0.9 = 2.22; to the right 1.12 and 0.9, of healthy movements."""
        (said,) = result_of(led(slow=[("right", -1)], scale=scale)).fits
        told = said.partition("adduction of the right eye is slow (index ")[2].partition(",")[0]
        assert float(told) == pytest.approx(index, rel=0.02)

    @pytest.mark.parametrize(("way", "adducts", "abducts"), [(-1, "right", "left"), (1, "left", "right")])
    @pytest.mark.parametrize(
        ("slow", "scaled", "said", "flagged"),
        [
            ("adducts", False, "adduction of the {adducts} eye is slow", True),
            ("", True, "wrong scale of one eye", False),
            ("abducts", False, "abduction of the {abducts} eye is slow", False),
        ],
    )
    def test_one_direction_alone_tells_what_no_scale_explains(
        self, way: int, adducts: Eye, abducts: Eye, slow: str, scaled: bool, said: str, flagged: bool
    ) -> None:
        """The left eye is not seen as targets jump the other way: the index is 2, 1.25 and 0.5."""
        eyes = {"adducts": adducts, "abducts": abducts}
        scale = (0.8 if adducts == "right" else 1.25) if scaled else 1.0
        made = led(slow=[(eyes[slow], way)] if slow else [], scale=scale)
        rows = made.samples["left"]
        for jump in jumps_of(procedure_named("saccades").steps[0].targets, 0, STARTS_S):
            if jump.size_deg * way < 0:
                hidden = (rows["time_s"] > jump.at_s) & (rows["time_s"] < jump.at_s + 0.5)
                for name in ("x_px", "horizontal_deg", "vertical_deg"):
                    rows[name][hidden] = np.nan
        result = result_of(made)
        (text,) = result.fits
        assert f"to the {abducts}" in text
        assert said.format(**eyes) in text
        assert bool(result.red_flags) == flagged

    def test_no_index_where_an_eye_has_no_degrees(self) -> None:
        made = led(slow=[("right", -1)])
        made.calibrations["left"] = Calibrated(calibrated=False, grade="none", direction="proven")
        result = result_of(made)
        reasons = {f.reason for f in result.findings if f.key.startswith("versional_dysconjugacy")}
        assert reasons == {"left eye: uncalibrated"}
        assert not result.fits
        assert not result.red_flags

    def test_one_eye_and_too_few_frames(self) -> None:
        found = self.found(led(Eyed(rate_hz=60.0), "right"))
        assert found["versional_dysconjugacy_left", STEP, None].reason == "one eye recorded"
        for key in ("main_sequence_vmax_right", "saccade_speed_right", "saccade_peak_15_left"):
            assert found[key, STEP, "right"].reason == "sampling rate too low (60/s, 100/s needed)"
        assert found["saccade_gain_right", STEP, "right"].value == pytest.approx(0.9, abs=0.02)
        assert found["saccade_latency_up", "saccades vertical", "right"].reason == "step not recorded"

    def test_uncalibrated_degrees_give_no_gain_but_a_latency(self) -> None:
        made = led()
        loose = Calibrated(calibrated=False, grade="none", direction="proven")
        found = self.found(replace(made, calibrations=dict.fromkeys(made.calibrations, loose)))
        assert found["saccade_gain_right", STEP, "right"].reason == "uncalibrated"
        assert found["saccade_speed_right", STEP, "right"].reason == "uncalibrated"
        assert found["saccade_latency_right", STEP, "right"].value == pytest.approx(200.0, abs=6.0)

    def test_directions_that_are_not_proven_answer_nothing(self) -> None:
        made = led()
        loose = Calibrated(direction="unproven")
        found = self.found(replace(made, calibrations=dict.fromkeys(made.calibrations, loose)))
        assert found["saccade_latency_right", STEP, "right"].reason == "direction not proven"

    @pytest.mark.parametrize("what", ["blink", "constant", "missing"])
    def test_nothing_to_see_is_a_reason(self, what: str) -> None:
        made = led(Eyed(rate_hz=100.0), "right")
        rows = made.samples["right"].copy()
        if what == "constant":
            for name in ("horizontal_deg", "vertical_deg", "torsional_deg"):
                rows[name] = 0.0
        else:
            rows["horizontal_deg"] = rows["vertical_deg"] = nan
            rows["x_px"] = nan if what == "blink" else rows["x_px"]
        late = self.found(replace(made, samples={"right": rows}))["saccade_latency_right", STEP, "right"]
        assert late.value is None
        assert late.reason.startswith("the eye was seen for 0.0 s")
        assert ("the tracker was stuck at one value" in late.reason) == (what == "constant")
