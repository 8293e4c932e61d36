from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from analysis.analyse import RecordingResult, analyse_recording
from analysis.finding import Finding
from analysis.nystagmus import BEAT_NAMES
from analysis.nystagmus_findings import TOO_SMALL
from analysis.procedure import Result
from analysis.report_data import result_as_data
from capture.samples import AXES, Eye
from tests.analysis.sawtooth import Calibrated, Made, MadeRecording, Phase, make_recording
from tests.conftest import ROOT

BORN = 1966  # 60 years old, or 59
GOLDEN = json.loads((ROOT / "tests" / "golden" / "spontaneous.json").read_text())
WORKED = (Phase("dark", 30, (-8.0, 0, 0)), Phase("fixation", 12, (-2.4, 0, 0)))
HORIZONTAL, VERTICAL, TORSIONAL = AXES


def analysed(recording: MadeRecording) -> Result:
    return analyse_recording(recording, BORN).results[0]


def result(*phases: Phase, **made: object) -> Result:
    return analysed(make_recording(Made(phases, **made)))  # type: ignore[arg-type]


def found(
    result: Result, key: str, step: str = "", eye: Eye | None = "right", axis: str | None = None
) -> Finding:
    return next(f for f in result.findings if (f.key, f.step, f.eye, f.axis) == (key, step, eye, axis))


def velocity(result: Result, step: str, eye: Eye = "right", axis: str = HORIZONTAL) -> Finding:
    return found(result, "slow_phase_velocity", step, eye, axis)


def words(result: Result) -> str:
    return " ".join((*result.conclusions, *result.fits, *(flag.text for flag in result.red_flags)))


@pytest.fixture(scope="module")
def worked() -> Result:
    return result(*WORKED)


@pytest.fixture(scope="module")
def golden() -> Result:
    return result(*(Phase(s["text"], s["seconds"], tuple(s["velocity_dps"])) for s in GOLDEN["steps"]))


class TestGolden:
    """Findings against figures that follow from the generator by hand."""

    expected, tolerance = GOLDEN["expected"], GOLDEN["tolerance"]

    @pytest.mark.parametrize("eye", ["right", "left"])
    @pytest.mark.parametrize("step", ["dark", "fixation"])
    def test_velocity_and_direction(self, golden: Result, step: str, eye: Eye) -> None:
        for axis, speed, word in zip(
            AXES, self.expected["velocity_dps"][step], self.expected["direction"][step], strict=True
        ):
            finding = velocity(golden, step, eye, axis)
            assert finding.value == pytest.approx(speed, abs=self.tolerance["velocity_dps"])
            assert finding.direction == word
            assert finding.present is (word != "")

    @pytest.mark.parametrize("step", ["dark", "fixation"])
    def test_amplitude_and_frequency(self, golden: Result, step: str) -> None:
        size = found(golden, "quick_phase_amplitude", step, "left", HORIZONTAL)
        rate = found(golden, "nystagmus_frequency", step, "left")
        wanted = self.expected["amplitude_horizontal_deg"][step]
        assert size.value == pytest.approx(wanted, rel=self.tolerance["amplitude_share"])
        assert rate.value == pytest.approx(
            self.expected["beats_per_second"][step], abs=self.tolerance["beats_per_second"]
        )

    def test_fixation(self, golden: Result) -> None:
        index = found(golden, "fixation_index", axis=HORIZONTAL)
        less = found(golden, "fixation_reduction", axis=HORIZONTAL)
        assert index.value == pytest.approx(
            self.expected["fixation_index_horizontal"], abs=self.tolerance["index"]
        )
        assert less.value == pytest.approx(
            self.expected["fixation_reduction_horizontal_dps"], abs=self.tolerance["reduction_dps"]
        )

    def test_seconds_dropped_behind_a_change_of_light(self, golden: Result) -> None:
        assert {w.key: w.used_from_s for w in golden.windows} == self.expected["used_from_s"]

    def test_an_eye_at_rest_is_not_present_and_not_zero(self, golden: Result) -> None:
        finding = velocity(golden, "light")
        assert finding.value is None
        assert finding.reason == "no accepted beat, 3 needed"
        drift = found(golden, "slow_drift", "light", "right", HORIZONTAL)
        assert drift.value == pytest.approx(0.0, abs=0.1)


class TestHidden:
    """Beats that are not seen one by one make no eye at rest of it."""

    def test_a_nystagmus_that_hides_is_not_read_as_none(self) -> None:
        """4 deg/s, 5.9 quick phases a second of 0.52 deg through noise of a third of it."""
        shown = result(Phase("dark", 30, (-4.0, 0, 0), 0.13, 0.04), noise_deg=0.17, eyes=("right",))
        assert velocity(shown, "dark").reason == TOO_SMALL
        drift = found(shown, "slow_drift", "dark", "right", HORIZONTAL)
        assert drift.interval is not None
        assert drift.value == pytest.approx(-4.0, abs=1.0)
        assert drift.interval[0] < -4.0 < drift.interval[1] < 0
        assert "right eye not assessed (beats too small" in words(shown)
        assert velocity(shown, "dark", axis=VERTICAL).no_beats

    def test_an_eye_that_drifts_away_hides_no_beats(self) -> None:
        """1.5 deg/s for 12 s and never back."""
        made = make_recording(Made((Phase("dark", 15),), eyes=("right",)))
        start_s = made.events[0].start_s
        for rows in made.samples.values():
            rows["horizontal_deg"] += 1.5 * np.clip(rows["time_s"] - start_s, 0, None)
        assert velocity(analysed(made), "dark").no_beats


class TestSigns:
    """What must follow when the recording is mirrored, moved, scaled or its eyes exchanged."""

    def test_mirrored_trace_flips_every_direction(self, worked: Result) -> None:
        other = result(Phase("dark", 30, (8.0, 0, 0)), Phase("fixation", 12, (2.4, 0, 0)))
        assert (velocity(worked, "dark").direction, velocity(other, "dark").direction) == ("right", "left")
        assert velocity(other, "dark").value == pytest.approx(8.0, abs=0.1)

    @pytest.mark.parametrize(
        ("speeds", "word"),
        [
            ((0, 5, 0), "down"),
            ((0, -5, 0), "up"),
            ((0, 0, 5), "upper_pole_left"),
            ((0, 0, -5), "upper_pole_right"),
        ],
    )
    def test_vertical_and_torsional_directions(self, speeds: tuple[float, float, float], word: str) -> None:
        axis = VERTICAL if speeds[1] else TORSIONAL
        assert velocity(result(Phase("dark", 20, speeds)), "dark", "left", axis).direction == word

    def test_exchanged_eyes_exchange_their_findings(self) -> None:
        fast, slow = (make_recording(Made((Phase("dark", 20, (-v, 0, 0)),))) for v in (9.0, 3.0))
        both = replace(fast, samples={"right": fast.samples["right"], "left": slow.samples["left"]})
        swapped = replace(fast, samples={"right": slow.samples["right"], "left": fast.samples["left"]})
        assert velocity(analysed(both), "dark", "right").value == pytest.approx(-9.0, abs=0.1)
        assert velocity(analysed(swapped), "dark", "right").value == pytest.approx(-3.0, abs=0.1)
        assert found(analysed(both), "eye_difference", "dark", None, HORIZONTAL).value == pytest.approx(
            -6.0, abs=0.1
        )
        assert "The eyes differ (dark, horizontal): right minus left −6.0" in words(analysed(both))

    def test_velocity_scales_with_degrees(self) -> None:
        made = make_recording(Made((Phase("dark", 20, (-8.0, 0, 0)),)))
        rows = {eye: samples.copy() for eye, samples in made.samples.items()}
        for samples in rows.values():
            samples["horizontal_deg"] *= 2
        assert velocity(analysed(replace(made, samples=rows)), "dark").value == pytest.approx(-16.0, abs=0.2)

    def test_other_frame_rate_gives_the_same_velocity(self) -> None:
        slow = result(Phase("dark", 20, (-8.0, 0, 0)), rate_hz=60.0)
        assert velocity(slow, "dark").value == pytest.approx(-8.0, abs=0.1)


class TestNotAssessed:
    def test_too_short(self) -> None:
        finding = velocity(result(Phase("dark", 6, (-8.0, 0, 0))), "dark")
        assert finding.value is None
        assert finding.reason == "the eye was seen for 3.0 s only (5 s needed)"

    def test_torsion_of_poor_quality_is_missing_never_zero(self) -> None:
        poor = result(Phase("dark", 20, (-8.0, 0, -3.0)), torsion_quality=0.1)
        finding = velocity(poor, "dark", axis=TORSIONAL)
        assert (finding.value, finding.present) == (None, None)
        assert "torsion not readable" in finding.reason
        assert velocity(poor, "dark").value is not None

    def test_more_than_5_percent_of_frames_lost_blocks(self) -> None:
        lossy = result(Phase("dark", 20, (-8.0, 0, 0)), lost=200)  # of 2,300 + 200
        assert velocity(lossy, "dark").reason == "8.0% of the frames were lost (more than 5%)"
        assert velocity(lossy, "dark").value is None

    def test_frames_lost_in_one_step_block_that_step(self) -> None:
        made = make_recording(Made((Phase("dark", 20, (-8.0, 0, 0)), Phase("fixation", 25, (-2.4, 0, 0)))))
        time = made.samples["right"]["time_s"]
        gone = (time > 8) & (time < 23) & (np.arange(len(time)) % 8 == 0)  # every eighth of the dark step
        rows = {eye: samples[~gone] for eye, samples in made.samples.items()}
        shown = analysed(replace(made, samples=rows))
        assert velocity(shown, "dark").reason == "12.5% of the frames of this step were lost (more than 5%)"
        assert velocity(shown, "fixation").value is not None

    def test_more_than_1_percent_of_frames_lost_warns(self) -> None:
        lossy = result(Phase("dark", 20, (-8.0, 0, 0)), lost=50)
        assert velocity(lossy, "dark").value is not None
        assert "right and left eyes: 2.1% of the frames were lost" in lossy.cautions

    def test_eyes_never_seen(self) -> None:
        made = make_recording(Made(WORKED))
        rows = {eye: samples.copy() for eye, samples in made.samples.items()}
        for samples in rows.values():
            for name in ("x_px", "y_px", "horizontal_deg", "vertical_deg", "torsional_deg"):
                samples[name] = np.nan
            samples["pupil_quality"] = 0
        blind = analysed(replace(made, samples=rows))
        assert {(f.value, bool(f.reason)) for f in blind.findings} == {(None, True)}

    def test_no_step_without_fixation(self) -> None:
        lit = result(Phase("light", 20, (-8.0, 0, 0)))
        assert found(lit, "fixation_index", axis=HORIZONTAL).reason == "no step without fixation"

    def test_index_of_slow_nystagmus_is_a_ratio_of_noise(self) -> None:
        slow = result(Phase("dark", 25, (-3.0, 0, 0)), Phase("fixation", 12, (-1.5, 0, 0)))
        index = found(slow, "fixation_index", axis=HORIZONTAL)
        assert index.reason == "below 4 deg/s in the dark"
        assert found(slow, "fixation_reduction", axis=HORIZONTAL).value == pytest.approx(1.5, abs=0.1)


class TestNotProven:
    DEFAULT = Calibrated(False, "default", "unproven", "No targets", None, None)

    @pytest.mark.parametrize("direction", ["unproven", "contradicted"])
    def test_no_direction_word_and_no_limit(self, direction: str) -> None:
        shown = result(*WORKED, calibration=Calibrated(direction=direction))
        assert all(f.direction == "" and f.limit is None and f.verdict == "none" for f in shown.findings)
        assert not any(name in words(shown) for name in (*BEAT_NAMES.values(), "right-", "left-"))
        assert velocity(shown, "dark").present

    def test_uncalibrated_is_marked_and_meets_no_limit(self) -> None:
        shown = result(*WORKED, calibration=self.DEFAULT)
        finding = velocity(shown, "dark")
        assert finding.value == pytest.approx(-8.0, abs=0.1)
        assert "uncalibrated" in finding.marks
        assert (finding.verdict, finding.limit) == ("none", None)
        assert "uncalibrated" in words(shown)

    def test_nominal_times_meet_no_limit(self) -> None:
        shown = result(*WORKED, times="nominal")
        assert velocity(shown, "dark").verdict_reason == "frame rate not proven"
        assert any("nominal rate" in text for text in shown.cautions)

    def test_unknown_age_meets_no_limit(self) -> None:
        shown = analyse_recording(make_recording(Made(WORKED))).results[0]
        assert velocity(shown, "dark").verdict_reason == "age not known"

    def test_proven_recording_meets_its_limit(self, worked: Result) -> None:
        dark = velocity(worked, "dark")
        assert dark.verdict == "outside"
        assert dark.limit is not None
        assert "101 healthy adults" in dark.limit.note


class TestRedFlags:
    def flags(self, *phases: Phase, **made: object) -> list[str]:
        return [flag.text for flag in result(*phases, **made).red_flags]

    def test_pure_vertical_above_the_healthy_range(self) -> None:
        (flag,) = self.flags(Phase("dark", 20, (0, 9.0, 0)))
        assert flag.startswith("Pure vertical nystagmus: down-beating 9.0 deg/s (dark)")

    def test_pure_torsional(self) -> None:
        (flag,) = self.flags(Phase("dark", 20, (0, 0, 9.0)))
        assert flag.startswith("Pure torsional nystagmus")

    def test_small_vertical_nystagmus_in_the_dark_is_common(self) -> None:
        assert self.flags(Phase("dark", 20, (0, 3.0, 0))) == []

    def test_vertical_nystagmus_with_fixation(self) -> None:
        (flag,) = self.flags(Phase("light", 25, (0, 2.0, 0)))
        assert flag.startswith("Pure vertical")

    def test_purity_is_not_claimed_without_torsion(self) -> None:
        (flag,) = self.flags(Phase("dark", 20, (0, 9.0, 0)), torsion_quality=0.1)
        assert "could not be told: torsional part not assessed" in flag

    def test_horizontal_nystagmus_raises_none(self) -> None:
        assert self.flags(*WORKED) == []

    def test_hardly_reduced_by_fixation(self) -> None:
        (flag,) = self.flags(Phase("dark", 25, (-8.0, 0, 0)), Phase("fixation", 12, (-7.0, 0, 0)))
        assert flag.startswith("Fixation lowers the horizontal nystagmus by 1.0 (right eye), 1.0 (left eye)")
        assert "if the vertigo is acute and continuous" in flag

    def test_slow_nystagmus_is_not_flagged_for_its_small_reduction(self) -> None:
        assert self.flags(Phase("dark", 25, (-3.5, 0, 0)), Phase("fixation", 12, (-3.0, 0, 0))) == []

    def test_nothing_is_flagged_or_missed_silently_when_unproven(self) -> None:
        shown = result(Phase("dark", 20, (0, 9.0, 0)), calibration=TestNotProven.DEFAULT)
        assert shown.red_flags == ()
        assert any("red flags" in text and "could not be looked for" in text for text in shown.cautions)


def test_without_steps_all_after_the_last_target_is_one_window() -> None:
    shown = result(Phase("x", 30, (-8.0, 0, 0)), steps_stated=False, eyes=("left",))
    (window,) = shown.windows
    assert (window.key, window.start_s, window.used_from_s) == ("light not stated", 3.0, 8.0)
    assert velocity(shown, "light not stated", "left").value == pytest.approx(-8.0, abs=0.1)
    assert velocity(shown, "light not stated", "left").verdict == "none"
    assert "one eye recorded: whether the eyes move together is not assessed" in shown.cautions


def test_a_step_that_comes_twice_keeps_both() -> None:
    shown = result(Phase("dark", 20, (-8.0, 0, 0)), Phase("fixation", 12), Phase("dark", 20, (-4.0, 0, 0)))
    assert [w.key for w in shown.windows] == ["dark", "fixation", "dark 2"]
    assert velocity(shown, "dark 2").value == pytest.approx(-4.0, abs=0.1)


def test_data_is_plain_json_even_with_nothing_measured() -> None:
    made = make_recording(Made((Phase("dark", 6),), eyes=("left",)))
    samples = made.samples["left"].copy()
    samples["horizontal_deg"] = np.nan
    blind = replace(made, samples={"left": samples})
    whole: RecordingResult = analyse_recording(blind)
    data = json.loads(json.dumps(result_as_data(blind, whole), allow_nan=False))
    assert data["eyes"]["left"]["beats_accepted"] == 0
    assert data["procedures"][0]["findings"][0]["value"] is None
    assert data["procedures"][0]["findings"][0]["reason"]


def test_an_eye_without_a_single_sample_is_not_assessed() -> None:
    made = make_recording(Made(WORKED))
    shown = analysed(replace(made, samples={**made.samples, "left": made.samples["left"][:0]}))
    assert velocity(shown, "dark", "left").value is None
    assert velocity(shown, "dark", "right").value == pytest.approx(-8.0, abs=0.1)


class TestOneAxisAlone:
    def test_cross_talk_of_a_fast_axis_hides_no_pure_nystagmus(self) -> None:
        """1.2 of 20 deg/s is what a camera rolled by 3.4 deg brings onto the horizontal axis."""
        shown = result(Phase("dark", 30, (1.2, 20.0, 0.0), slow_s=0.3))
        assert any("Pure vertical nystagmus: down-beating" in flag.text for flag in shown.red_flags)
        assert any("on one axis that no single canal gives" in text for text in shown.fits)
        assert not any("reduced function" in text for text in shown.fits)

    def test_a_horizontal_part_that_is_no_cross_talk_counts(self) -> None:
        shown = result(Phase("dark", 30, (5.0, 20.0, 0.0), slow_s=0.3))
        assert not shown.red_flags
        assert any(text.startswith("Mainly vertical, with a horizontal part") for text in shown.fits)

    @pytest.mark.parametrize(("across", "flagged"), [(0.9, False), (0.05, True)])
    def test_purely_torsional_only_where_the_others_are_near_zero(self, across: float, flagged: bool) -> None:
        """0.9 deg/s is below the presence rule, and yet no torsional nystagmus alone."""
        shown = result(Phase("dark", 30), Phase("fixation", 30, (across, 0.0, 1.6), slow_s=0.9))
        assert any("Pure torsional" in flag.text for flag in shown.red_flags) == flagged

    def test_slow_and_oblique_fits_no_pattern(self) -> None:
        shown = result(Phase("dark", 30, (0.9, 0.0, 1.6), slow_s=0.9))
        assert any("other axes not near zero: no pattern is named" in text for text in shown.fits)
