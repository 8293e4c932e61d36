"""Irrigations in closed form through the whole measure, and what they say together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.analyse import analyse_recording
from analysis.battery.caloric_summary import summarise
from analysis.finding import Finding
from analysis.limits import Age
from analysis.procedure import Result
from analysis.report_measures import measures_table
from tests.analysis.caloric import SECONDS, Caloric, irrigated
from tests.analysis.sawtooth import TARGETS, Made, Phase, make_recording

SIXTY = Age(65, 66)


def irrigation(key: str, horizontal: float, before: float = -2.0, **more: float) -> Result:
    """Slow-phase velocity at the peak, less that of the spontaneous nystagmus under it."""
    response = Caloric(peak_dps=(horizontal, 0, 0), constant_dps=(before, 0, 0), **more)
    return analyse_recording(irrigated(response, key, rate_hz=50.0, eyes=("right",)), 1960).results[0]


def result_of_phases(key: str, *phases: Phase) -> Result:
    made = make_recording(Made(phases, procedure=key, rate_hz=50.0, eyes=("right",)))
    return analyse_recording(made, 1960).results[0]  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def results() -> dict[str, Result]:
    """Right-beating 2 deg/s under all: n = 14, 30, -8, 26 from RW 12, LC 28 ..., see `TestWhole`."""
    speeds = {"right_warm": -12.0, "left_warm": 30.0, "right_cool": 10.0, "left_cool": -28.0}
    return {f"caloric_{k}": irrigation(f"caloric_{k}", v) for k, v in speeds.items()}


def found(result: Result, key: str, axis: str | None = None) -> Finding:
    return next(f for f in result.findings if (f.key, f.eye, f.axis) == (key, "right", axis))


class TestOneIrrigation:
    def test_measures_are_printed_with_a_true_minus_and_counts_as_counts(
        self, results: dict[str, Result]
    ) -> None:
        """-12 over -2 deg/s: near -14, and no beat is a fraction."""
        (table,) = measures_table(results["caloric_right_warm"])
        values = {
            row[3].text.split(" (")[0]: row[4].text for row in table.rows if row[2].text == "horizontal"
        }
        velocity = values["slow-phase velocity at the culmination"]
        assert velocity.startswith("−1")
        counts = values["beats in the 30 s of the culmination"]
        assert counts.isdigit()
        assert not any(cell.text.startswith("-") for row in table.rows for cell in row[4:6])

    def test_culmination(self, results: dict[str, Result]) -> None:
        warm = results["caloric_right_warm"]
        peak = found(warm, "culmination_velocity", "horizontal")
        assert peak.value == pytest.approx(-14.0, abs=0.2)
        assert peak.direction == "right"
        assert found(warm, "culmination_beats", "horizontal").value == pytest.approx(60, abs=2)
        for shown in results.values():  # of either direction
            assert found(shown, "culmination_time", "horizontal").value == pytest.approx(60.0, abs=3.0)
        assert found(warm, "velocity_before", "horizontal").value == pytest.approx(-2.0, abs=0.1)

    @pytest.mark.parametrize("share", [0.3, 0.8])
    def test_a_response_that_fades_meanwhile_is_not_suppressed(self, share: float) -> None:
        """(t / 60)^2 exp(2 - t / 30): 0.92 at 79 s, 0.79 at 94 s, 0.63 at 111 s after the start.

        These are the middles of the dark, the light and the dark again; a straight line between the first
        and the last is 0.78 at 94 s. Against the dark before alone 0.8 would be 0.69.
        """
        shown = irrigation("caloric_right_warm", -40.0, 0.0, fixation_share=share)
        index = found(shown, "fixation_index", "horizontal")
        assert index.value == pytest.approx(share * 0.790 / 0.782, abs=0.02)

    def test_when_it_began_with_the_sides_exchanged(self, results: dict[str, Result]) -> None:
        """The course of every irrigation of the other side is the same, its interval too."""
        plain, other = results["caloric_right_warm"], irrigation("caloric_left_warm", 12.0, 2.0)
        for key in ("latency", "time_constant", "culmination_time"):
            one, two = found(plain, key, "horizontal"), found(other, key, "horizontal")
            assert two.value == pytest.approx(one.value, rel=0.1), key
            assert one.interval is not None
            assert two.interval == pytest.approx(one.interval, rel=0.15), key
            assert one.interval[0] <= (one.value or 0.0) <= one.interval[1]

    @pytest.mark.parametrize(
        ("before", "lit", "after", "early"),
        [
            (-2.0, -2.0, 6.0, True),
            (-2.0, -2.0, -2.0, False),
            (-2.0, 6.0, -2.0, False),
            (-6.0, -6.0, -2.0, False),
        ],
        ids=["turns", "only before", "in the light alone", "what was before grows less"],
    )
    @pytest.mark.parametrize("ear", ["right", "left"])
    def test_a_response_that_turns_round_early(
        self, ear: str, before: float, lit: float, after: float, early: bool
    ) -> None:
        """20 deg/s toward the ear; from 95 s on 6 deg/s the other way, or what was before and less of it."""
        sign = 1.0 if ear == "right" else -1.0
        shown = result_of_phases(
            f"caloric_{ear}_warm",
            Phase("baseline", 15, (sign * before, 0, 0)),
            Phase(f"{ear} warm irrigation", 30, (sign * -20.0, 0, 0)),
            Phase("response", 50, (sign * -20.0, 0, 0)),
            Phase("fixation", 15, (sign * lit, 0, 0)),
            Phase("after", 40, (sign * after, 0, 0)),
        )
        reversal = found(shown, "response_reversal", "horizontal")
        if early:
            assert reversal.value == pytest.approx(95.0, abs=1.0)
            assert any("turns round 95 s after the start" in text for text in shown.fits)
        else:
            assert reversal.reason == "no reversal"
            assert shown.fits == ()

    @pytest.mark.parametrize(
        ("face_down", "said"),
        [(9.0, "turns round, as a response"), (-9.0, "keeps its direction"), (0.0, "no nystagmus")],
    )
    @pytest.mark.parametrize(("ear", "sign"), [("left", 1.0), ("right", -1.0)])
    def test_ice_water_face_down(self, ear: str, sign: float, face_down: float, said: str) -> None:
        shown = result_of_phases(
            f"caloric_{ear}_ice",
            Phase("baseline", 15),
            Phase(f"{ear} ice irrigation", 25, (sign * -12.0, 0, 0)),
            Phase("response", 40, (sign * -12.0, 0, 0)),
            Phase("prone", 25, (sign * face_down, 0, 0)),
            Phase("after", 40, (sign * -6.0, 0, 0)),
        )
        peak = found(shown, "culmination_velocity", "horizontal")
        assert peak.value == pytest.approx(sign * -12.0, abs=0.3)
        (text,) = shown.fits
        assert text.startswith(f"Face down: {said}")

    @pytest.mark.parametrize(
        ("supine", "face_down", "said"),
        [
            (-9.0, -3.0, "turns round about the nystagmus that was there before"),
            (-6.0, -6.0, "keeps its direction"),
            (-9.0, -9.0, "keeps its direction"),
            (-9.0, 3.0, "turns round"),
        ],
    )
    @pytest.mark.parametrize("sign", [1.0, -1.0])
    def test_ice_water_face_down_beside_a_nystagmus(
        self, sign: float, supine: float, face_down: float, said: str
    ) -> None:
        """6 deg/s before: a response of 3 the same way adds to it, and is taken from it face down."""
        shown = result_of_phases(
            "caloric_left_ice",
            Phase("baseline", 15, (sign * -6.0, 0, 0)),
            Phase("left ice irrigation", 25, (sign * supine, 0, 0)),
            Phase("response", 40, (sign * supine, 0, 0)),
            Phase("prone", 25, (sign * face_down, 0, 0)),
            Phase("after", 40, (sign * -6.0, 0, 0)),
        )
        (text,) = (t for t in shown.fits if t.startswith("Face down"))
        assert text.startswith(f"Face down: {said}")

    @pytest.mark.parametrize(("ear", "sign"), [("left", 1.0), ("right", -1.0)])
    @pytest.mark.parametrize("temperature", ["ice", "cool"])
    def test_ice_water_without_the_face_down(self, ear: str, sign: float, temperature: str) -> None:
        shown = result_of_phases(
            f"caloric_{ear}_{temperature}",
            Phase("baseline", 15),
            Phase(f"{ear} {temperature} irrigation", 25, (sign * -12.0, 0, 0)),
            Phase("response", 40, (sign * -12.0, 0, 0)),
            Phase("after", 40, (sign * -6.0, 0, 0)),
        )
        assert any("Face down: not recorded" in t for t in shown.fits) is (temperature == "ice")

    def test_direction_that_does_not_fit_is_noted(self) -> None:
        shown = irrigation("caloric_left_cool", 20.0)
        (text,) = shown.fits
        assert "left cool should beat to the right" in text
        assert "Noted, not rejected" in text
        assert any("do not prove" in t or "does not prove" in t for t in shown.not_concluded)

    def test_perverted_response(self) -> None:
        response = Caloric(peak_dps=(-5.0, 20.0, 0))
        made = irrigated(response, "caloric_right_warm", rate_hz=50.0, eyes=("right",))
        assert any("perverted response" in t for t in analyse_recording(made).results[0].fits)

    def test_no_response_is_measured_as_drift_and_never_as_missing(self) -> None:
        shown = irrigation("caloric_right_cool", 0.0, 0.0)
        peak = found(shown, "culmination_velocity", "horizontal")
        assert peak.value == pytest.approx(0.0, abs=0.2)
        assert "slow drift" in peak.name
        assert peak.direction == ""

    def test_too_short(self) -> None:
        made = irrigated(Caloric(peak_dps=(-20.0, 0, 0)), "caloric_right_warm", rate_hz=50.0)
        rows = {eye: samples[samples["time_s"] < 45] for eye, samples in made.samples.items()}
        peak = found(
            analyse_recording(replace(made, samples=rows)).results[0], "culmination_velocity", "horizontal"
        )
        assert peak.reason == "recorded for 27 s from the start of the irrigation only"

    def test_half_the_frame_rate(self) -> None:
        made = irrigated(Caloric(peak_dps=(-20.0, 0, 0)), "caloric_right_warm", rate_hz=60.0, eyes=("right",))
        half = replace(made, samples={eye: rows[::2] for eye, rows in made.samples.items()})
        peaks = [
            found(analyse_recording(r).results[0], "culmination_velocity", "horizontal").value
            for r in (made, half)
        ]
        assert peaks[1] == pytest.approx(peaks[0], rel=0.01)


class TestWhole:
    """Without nystagmus RW 12, RC 10, LW 30, LC 28: 45 % right weakness.

    2 deg/s right-beating under all: preponderance 400 x 2 / 80 = 10 %, all explained by what was before.
    """

    @pytest.fixture(scope="class")
    @classmethod
    def whole(cls, results: dict[str, Result]) -> Result:
        return summarise(list(results.values()), SIXTY)

    def test_figures(self, whole: Result) -> None:
        assert found(whole, "unilateral_weakness").value == pytest.approx(-45.0, abs=1.0)
        assert found(whole, "directional_preponderance").value == pytest.approx(10.0, abs=1.0)
        assert found(whole, "gain_asymmetry").value == pytest.approx(0.0, abs=1.0)
        assert found(whole, "right_sum").value == pytest.approx(22.0, abs=0.4)
        assert found(whole, "left_sum").value == pytest.approx(58.0, abs=0.6)
        assert found(whole, "baseline_shift").value == pytest.approx(2.0, abs=0.2)

    def test_words_and_side(self, whole: Result) -> None:
        assert found(whole, "unilateral_weakness").verdict == "outside"
        assert found(whole, "directional_preponderance").verdict == "inside"
        assert any("unilateral weakness (canal paresis) 45 % right" in t for t in whole.conclusions)
        (pattern,) = whole.fits
        assert "reduced function of the right horizontal canal" in pattern

    def test_missing_irrigation(self, results: dict[str, Result]) -> None:
        some = [r for k, r in results.items() if k != "caloric_left_cool"]
        whole = summarise(some, SIXTY)
        weakness = found(whole, "unilateral_weakness")
        assert (weakness.value, weakness.reason) == (None, "left cool: not recorded")
        assert whole.cautions == ("left cool: not recorded",)
        assert found(whole, "monothermal_asymmetry").value == pytest.approx(100 * (14 - 28) / 42, abs=1.0)
        assert whole.fits == ()

    def test_repeated_irrigation_counts_as_it_was_last(self, results: dict[str, Result]) -> None:
        again = irrigation("caloric_right_warm", -30.0)
        whole = summarise([*results.values(), again], SIXTY)
        assert found(whole, "right_sum").value == pytest.approx(40.0, abs=0.6)
        assert whole.cautions == ("caloric_right_warm: done 2 times; the last one counts",)

    def test_no_irrigation(self) -> None:
        assert summarise([]).findings == ()

    def test_a_result_of_another_test(self, results: dict[str, Result]) -> None:
        with pytest.raises(ValueError, match="irrigations"):
            summarise([replace(next(iter(results.values())), procedure="spontaneous")])

    def test_both_sides_too_weak_is_never_called_even(self) -> None:
        keys = ("right_warm", "left_warm", "right_cool", "left_cool")
        speeds = (-1.5, 2.0, 1.5, -2.0)
        weak = [irrigation(f"caloric_{k}", v, 0.0) for k, v in zip(keys, speeds, strict=True)]
        whole = summarise(weak, SIXTY)
        weakness = found(whole, "unilateral_weakness")
        assert weakness.verdict == "none"
        assert any("bilateral vestibulopathy is met" in t for t in whole.conclusions)
        assert not any("unilateral weakness (canal paresis)" in t for t in whole.conclusions)
        assert whole.fits == ()


@pytest.mark.parametrize(("closed_s", "percent"), [(0.0, 0.0), (6.0, 20.0), (12.0, 40.0)])
def test_an_irrigation_whose_culmination_was_not_seen_is_repeated(closed_s: float, percent: float) -> None:
    """The eye is lost about the top, 60 s after the start: for 6 of the 30 s about it, 20 %."""
    made = irrigated(Caloric(peak_dps=(-20.0, 0.0, 0.0)), "caloric_right_warm", eyes=("right",))
    after_s = made.samples["right"]["time_s"] - TARGETS[-1].end_s - SECONDS[0] - 60.0
    closed = np.abs(after_s) < closed_s / 2
    made.samples["right"]["pupil_quality"][closed] = 0.0
    result = analyse_recording(made).results[0]
    unseen = next(f for f in result.findings if f.key == "culmination_unseen")
    assert unseen.value == pytest.approx(percent, abs=4.0)
    assert any("repeat this irrigation" in text for text in result.cautions) == (percent > 30)
