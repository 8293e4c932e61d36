"""Saccades measured against movements with known start, size and peak; what is no answer is counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import exp, nan

import numpy as np
import pytest

from analysis.battery import procedure_named
from analysis.estimate import Estimate, with_error
from analysis.main_sequence import contrast, fit, reference_velocity_dps
from analysis.saccade_course import courses, moved
from analysis.saccades import Answer, answers
from analysis.stimulus import Jump
from analysis.trace import trace_from_arrays
from capture.samples import Eye
from tests.analysis.sawtooth import Calibrated
from tests.analysis.stimulus_traces import (
    STARTS_S,
    Eyed,
    EyePath,
    TrueSaccade,
    answering,
    jumps_of,
    recorded,
    result_of,
    trace_of,
)
from tests.conftest import DATA

STEP = "saccades horizontal"


def jumps(sizes: Sequence[float], every_s: float = 1.5) -> list[Jump]:
    """One after the other from 0, at 1 s and every `every_s` after it."""
    places = np.concatenate(([0.0], np.cumsum(sizes))).tolist()
    return [
        Jump(1.0 + k * every_s, 1.0 + (k + 1) * every_s, places[k], places[k + 1]) for k in range(len(sizes))
    ]


@pytest.mark.parametrize("size_deg", [5.0, 10.0, 20.0, 40.0])
def test_medians_of_thirty(size_deg: float) -> None:
    """At 250/s and 0.1 deg of noise: 2 ms, 1 %, and 3 % of peak velocity (5 % at 5 deg).

    What noise does to each peak is told: standard deviations of thirty are known to an eighth, three of them.
    """
    rng = np.random.default_rng(int(size_deg))
    asked = jumps([size_deg, -size_deg] * 15)
    path, true = answering(asked, 0, rng, gain=1.0, correct=False)
    found = answers(trace_of(path, 48.0, Eyed(), rng), asked, 0)
    assert [a.outcome for a in found] == ["used"] * 30
    late = [a.latency_s - (t.start_s - a.jump.at_s) for a, t in zip(found, true, strict=True)]
    sizes = [a.amplitude_deg / t.size_deg for a, t in zip(found, true, strict=True)]
    peaks = [a.peak_velocity_dps / t.peak_dps for a, t in zip(found, true, strict=True)]
    assert abs(np.median(late)) <= 0.002
    assert np.median(sizes) == pytest.approx(1.0, abs=0.01)
    assert np.median(peaks) == pytest.approx(1.0, abs=0.05 if size_deg == 5 else 0.03)
    assert np.median([a.peak_error for a in found]) == pytest.approx(np.std(peaks), rel=0.4)


def test_a_saccade_that_is_skewed_is_measured_too() -> None:
    """Speed as 60 u^2 (1 - u)^3: greatest at 0.4 of the time, 60 x 0.16 x 0.216 = 2.0736 times its mean."""
    time = np.arange(0.0, 1.0, 0.004)
    u = np.clip((time - 0.5) / 0.08, 0.0, 1.0)
    place = np.zeros((time.size, 3))
    place[:, 0] = 20 * u**3 * (20 - 45 * u + 36 * u**2 - 10 * u**3)
    piece = moved(trace_from_arrays("right", time, place), 0, 0.503, 0.575, 20.0)
    assert piece is not None
    (course,) = courses([piece], nan)
    assert course.peak_dps == pytest.approx(2.0736 * 20 / 0.08, rel=0.03)
    assert course.start_s == pytest.approx(0.5, abs=0.002)


def half_cosine(u: np.ndarray) -> np.ndarray:
    """Sets off and lands abruptly: speed pi / 2 sin(pi u), at most pi / 2 of its mean."""
    return (1 - np.cos(np.pi * u)) / 2


def early_peak(u: np.ndarray) -> np.ndarray:
    """Speed 105 u^2 (1 - u)^4: greatest at u = 1/3, 105 / 9 x 16 / 81 = 2.3045 of its mean."""
    return u**3 * (35 - 105 * u + 126 * u**2 - 70 * u**3 + 15 * u**4)


@pytest.mark.parametrize("size_deg", [5.0, 20.0])
@pytest.mark.parametrize(("way", "peak"), [(half_cosine, np.pi / 2), (early_peak, 2.3045)])
def test_medians_of_thirty_that_are_no_minimum_jerk(size_deg: float, way, peak: float) -> None:
    """The same bars; 21 ms + 2.2 ms a degree long (clinical reference 9.4)."""
    rng = np.random.default_rng(int(size_deg))
    asked = jumps([size_deg, -size_deg] * 15)
    time, lasts_s, starts = (
        np.arange(0.0, 48.0, 0.004),
        0.021 + 0.0022 * size_deg,
        rng.uniform(0.18, 0.22, 30),
    )
    place = rng.normal(0.0, 0.1, (time.size, 3))
    for jump, late_s in zip(asked, starts, strict=True):
        place[:, 0] += jump.size_deg * way(np.clip((time - jump.at_s - late_s) / lasts_s, 0.0, 1.0))
    found = answers(trace_from_arrays("right", time, place), asked, 0)
    assert [a.outcome for a in found] == ["used"] * 30
    assert abs(np.median([a.latency_s for a in found] - starts)) <= 0.002
    assert np.median([a.gain for a in found]) == pytest.approx(1.0, abs=0.01)
    fastest = np.median([a.peak_velocity_dps for a in found]) / (peak * size_deg / lasts_s)
    assert fastest == pytest.approx(1.0, abs=0.05 if size_deg == 5 else 0.03)


def test_corrective_saccades() -> None:
    """Of 20 deg 16 at once and 3 after 0.2 s: gain 0.8, with its correction 19 / 20 = 0.95."""
    asked = jumps([20.0] * 2)
    path = EyePath()
    for jump in asked:
        path.saccades[0].extend([TrueSaccade(jump.at_s + 0.2, 16.0), TrueSaccade(jump.at_s + 0.5, 3.0)])
    for found in answers(trace_of(path, 5.0, Eyed(), np.random.default_rng(5)), asked, 0):
        assert found.gain == pytest.approx(0.8, abs=0.01)
        assert found.final_gain == pytest.approx(0.95, abs=0.01)
        assert found.corrections_deg == (pytest.approx(3.0, abs=0.15),)
        assert found.skewness == pytest.approx(0.5, abs=0.05)
        assert found.peak_to_mean == pytest.approx(1.875, rel=0.05)


def test_what_is_no_answer_is_counted_and_not_in_the_mean() -> None:
    """Before the jump, 50 ms after it, 0.6 s after it, the wrong way, unseen, and one that counts."""
    asked = jumps([10.0] * 3 + [-10.0] * 3, 2.0)
    starts = (-0.1, 0.05, 0.6, 0.2, 0.2, 0.2)
    sizes = (10.0, 10.0, 10.0, 10.0, -10.0, -10.0)
    path = EyePath()
    for jump, late_s, size in zip(asked, starts, sizes, strict=True):
        path.saccades[0].append(TrueSaccade(jump.at_s + late_s, size))
    shut = (asked[4].at_s + 0.1, asked[4].at_s + 0.3)
    trace = trace_of(path, 14.0, Eyed(blinks_s=(shut,)), np.random.default_rng(3))
    found = answers(trace, asked, 0)
    wanted = ["anticipation", "anticipation", "miss", "wrong way", "not seen", "used"]
    assert [a.outcome for a in found] == wanted
    assert found[5].latency_s == pytest.approx(0.2, abs=0.004)
    assert found[5].gain == pytest.approx(1.0, abs=0.02)
    assert np.isnan(found[0].latency_s)


@pytest.mark.parametrize(
    ("rate_hz", "known"), [(250.0, (True, True)), (150.0, (False, True)), (90.0, (False, False))]
)
def test_peak_velocity_needs_frames(rate_hz: float, known: tuple[bool, bool]) -> None:
    """Below 200/s none of a jump of 10 deg, below 100/s none at all (clinical reference 27.19)."""
    asked = jumps([10.0, -20.0])
    path, _ = answering(asked, 0, np.random.default_rng(1), gain=1.0, gain_sd=0.0)
    found = answers(trace_of(path, 5.0, Eyed(rate_hz, 0.03), np.random.default_rng(1)), asked, 0)
    assert tuple(bool(np.isfinite(a.peak_velocity_dps)) for a in found) == known
    assert all(a.outcome == "used" for a in found)


class TestProperties:
    """What a change of the recording must do to the answers."""

    asked = jumps([10.0, -15.0, 5.0, 12.0, -20.0])
    path, _ = answering(asked, 0, np.random.default_rng(4))
    trace = trace_of(path, 10.0, Eyed(), np.random.default_rng(4))
    plain = answers(trace, asked, 0)

    def same(self, found: Sequence[Answer], size: float = 1.0) -> None:
        for one, other in zip(self.plain, found, strict=True):
            assert other.latency_s == pytest.approx(one.latency_s, abs=2e-4)
            assert other.amplitude_deg == pytest.approx(size * one.amplitude_deg, rel=2e-3)
            assert other.peak_velocity_dps == pytest.approx(abs(size) * one.peak_velocity_dps, rel=5e-3)

    def test_mirror(self) -> None:
        mirrored = [replace(j, from_deg=-j.from_deg, to_deg=-j.to_deg) for j in self.asked]
        trace = trace_from_arrays("right", self.trace.time_s, -self.trace.position_deg)
        self.same(answers(trace, mirrored, 0), -1.0)

    def test_shift_in_time(self) -> None:
        later = [replace(j, at_s=j.at_s + 7.0, until_s=j.until_s + 7.0) for j in self.asked]
        trace = trace_from_arrays("right", self.trace.time_s + 7.0, self.trace.position_deg)
        self.same(answers(trace, later, 0))

    def test_gain_of_the_picture(self) -> None:
        trace = trace_from_arrays("right", self.trace.time_s, 1.2 * self.trace.position_deg)
        self.same(answers(trace, self.asked, 0), 1.2)

    def test_the_vertical_axis_is_no_other(self) -> None:
        trace = trace_from_arrays("right", self.trace.time_s, self.trace.position_deg[:, [1, 0, 2]])
        self.same(answers(trace, self.asked, 1))

    def test_another_axis_is_a_mistake(self) -> None:
        with pytest.raises(ValueError, match="axis"):
            answers(self.trace, self.asked, 2)


class TestMainSequence:
    """Curves by hand: 551 (1 - exp(-A / 14))."""

    sizes = (5.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0)
    peaks = (165.5, 239.8, 281.3, 317.2, 362.3, 419.0, 458.6, 486.4)

    @pytest.mark.parametrize(
        ("size_deg", "peak_dps"),
        [(5, 165.5), (10, 281.3), (15, 362.3), (20, 419.0), (30, 486.4), (40, 519.4), (-20, 419.0)],
    )
    def test_reference(self, size_deg: float, peak_dps: float) -> None:
        assert reference_velocity_dps(size_deg) == pytest.approx(peak_dps, abs=0.1)

    def test_the_curve_through_its_own_points(self) -> None:
        curve = fit(self.sizes, self.peaks)
        assert not isinstance(curve, str)
        assert curve.vmax_dps == pytest.approx(551.0, abs=1.0)
        assert curve.constant_deg == pytest.approx(14.0, abs=0.1)
        assert curve.velocity(18.0).value == pytest.approx(551 * (1 - exp(-18 / 14)), abs=1.0)

    def test_a_stray_does_not_bend_it(self) -> None:
        curve = fit((*self.sizes, 15.0), (*self.peaks, 900.0))
        assert not isinstance(curve, str)
        assert (curve.used, round(curve.vmax_dps, -1)) == (8, 550.0)

    def test_why_there_is_none(self) -> None:
        assert fit(self.sizes[:7], self.peaks[:7]) == "7 saccades with a velocity, 8 needed"
        assert fit([10.0] * 8, [280.0] * 8) == "the saccades are too much of one size"
        assert "do not bend" in str(fit(self.sizes, [30 * a for a in self.sizes]))

    @pytest.mark.parametrize("count", [10, 20])
    def test_intervals_hold_people_whose_speed_scatters(self, count: int) -> None:
        """300 people: a saccade is faster or slower than the curve by 3 to 10 % of its own velocity.

        Goal 92 to 98 % at 2,000; by chance alone 300 of 95 % lie within 91.5 and 98.5 %, 4 in 1,000 beyond.
        """
        held = np.zeros(3)
        for number in range(300):
            rng = np.random.default_rng([31, count, number])
            vmax_dps, bend_deg = rng.uniform(250, 700), rng.uniform(7, 16)
            sizes = np.resize((5.0, 30.0, 10.0, 25.0, 15.0, 20.0), count) * rng.normal(0.9, 0.04, count)
            scatter = rng.normal(1.0, rng.uniform(0.03, 0.1), count)
            curve = fit(sizes, vmax_dps * (1 - np.exp(-sizes / bend_deg)) * scatter)
            assert not isinstance(curve, str)
            truths = vmax_dps, *(vmax_dps * (1 - exp(-size / bend_deg)) for size in (5.0, 25.0))
            found = curve.vmax(), curve.velocity(5.0), curve.velocity(25.0)
            held += [f.interval[0] <= t <= f.interval[1] for f, t in zip(found, truths, strict=True)]
        assert np.all((held >= 0.915 * 300) & (held <= 0.985 * 300))

    def test_what_noise_makes_uncertain_counts_less(self) -> None:
        """Of each size one on the curve and one that is 10 % too fast, which may be wrong by half.

        Without that the curve lies half way, by the root of 1.1: 577.9 deg/s.
        """
        sizes, peaks = np.repeat(self.sizes, 2), np.repeat(self.peaks, 2) * np.tile([1.0, 1.1], 8)
        alike, known = fit(sizes, peaks), fit(sizes, peaks, np.tile([0.0, 0.5], 8))
        assert not isinstance(alike, str)
        assert not isinstance(known, str)
        assert alike.vmax_dps == pytest.approx(577.9, abs=1.0)
        assert known.vmax_dps == pytest.approx(551.0, abs=1.0)

    def test_small_saccades_are_known_by_their_share(self) -> None:
        """By hand: 4 of 5 deg and 4 of 30 deg, each by turns 10 % too fast and (in logarithms) too slow.

        Means of the logarithms are those of the curve, so both curves agree; an interval is a factor, and the
        small ones' is as wide as the large ones', not a third of it in deg/s.
        """
        off = np.array([1.1, 1 / 1.1] * 4)
        sizes = np.repeat([5.0, 30.0], 4)
        curve = fit(sizes, 551 * (1 - np.exp(-sizes / 14)) * off)
        assert not isinstance(curve, str)
        reach = []
        for size in (5.0, 30.0):
            found = curve.velocity(size)
            assert found.value == pytest.approx(551 * (1 - exp(-size / 14)), rel=1e-4)
            reach.append(found.interval[1] / found.value)
        assert reach[0] == pytest.approx(reach[1], rel=1e-3)

    def test_a_curve_that_is_hardly_known_is_none(self) -> None:
        """Of every size one that is slow and one that is more than twice as fast."""
        sizes = [8.0, 8.0, 9.0, 9.0, 18.0, 18.0, 19.0, 19.0]
        said = fit(sizes, [150.0, 450.0, 150.0, 450.0, 250.0, 620.0, 250.0, 620.0])
        assert said == "the saccades scatter too much for a curve"

    def test_velocities_that_no_eye_reaches_lie_about_no_curve(self) -> None:
        said = fit([5.0 * k for k in range(1, 9)], [5000.0 + k for k in range(8)])
        assert said == "the saccades do not lie about a curve"

    @pytest.mark.parametrize(
        ("sizes", "peaks", "name"),
        [([1.0], [1.0, 2.0], "peak_velocity_dps"), ([nan], [1.0], "amplitude_deg"), ([1.0], [-1.0], "peak")],
    )
    def test_mistakes(self, sizes: list[float], peaks: list[float], name: str) -> None:
        with pytest.raises(ValueError, match=name):
            fit(sizes, peaks)

    def test_two_values_of_few_saccades_are_known_better_together(self) -> None:
        """By hand: 300 and 200 deg/s +- 5 with 5 degrees of freedom each: 2.571 x 5 = 12.85 alone.

        Together 10: 2.228 x 5 x root 2 = 15.75 of 500. Fieller, 300 / 200: root of 0.6^2 + 0.4^2 for 1 of
        a + b = 500, so 100 x 2 x root(200^2 + 300^2) / 500^2 x 2.228 x 5 = 3.21.
        """
        one, other = (Estimate(v, 5.0, (v - 12.853, v + 12.853)) for v in (300.0, 200.0))
        low, high = contrast(one, other).interval
        assert (high - low) / 2 == pytest.approx(3.21, abs=0.02)

    def test_an_error_below_0_is_a_mistake(self) -> None:
        with pytest.raises(ValueError, match="peak_error"):
            fit(self.sizes, self.peaks, [-0.1] * 8)

    def test_contrast_by_hand(self) -> None:
        """100 (300 - 200) / 500 = 20; exchanged -20."""
        one, other = with_error(300.0, 5.0), with_error(200.0, 5.0)
        assert contrast(one, other).value == pytest.approx(20.0)
        assert contrast(other, one).value == pytest.approx(-20.0)


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
        assert late.reason.startswith("0 saccades" if what == "constant" else "the eye was seen for 0.0 s")


def test_rows_of_the_check_values_that_state_a_formula() -> None:
    import json

    rows = {r["id"]: r for r in json.loads((DATA / "check-values.json").read_text(encoding="utf-8"))}
    for key in ("SAC-03", "SAC-04", "SAC-05", "SAC-06"):
        row = rows[key]
        got = reference_velocity_dps(row["inputs"]["A_deg"])
        assert got == pytest.approx(row["expected"], abs=row["tolerance"])
