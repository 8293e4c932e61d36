"""Static positions, lying down, bow and lean: what they count and support, and that they name no canal."""

from __future__ import annotations

import pytest

from analysis.analyse import analyse_recording
from analysis.battery.positional_shown import one_for_all
from analysis.positional_kinds import Seen
from analysis.positional_patterns import one_sided, vertical_canal
from analysis.procedure import Result
from capture.samples import Eye
from tests.analysis.dix_hallpike import (
    BASELINE,
    BORN,
    LEFT_POSTERIOR,
    RIGHT_POSTERIOR,
    analysed,
    words,
)
from tests.analysis.paroxysm import Course, Position, Triple, positional


class TestStaticPositions:
    """Clinical reference 12.4: horizontally in at most 4 positions, vertically in one."""

    KEYS = ("supine", "head right", "head left", "body right", "body left", "head hanging", "head raised")

    def shown(self, there: int, peak: Triple, **made: object) -> Result:
        still = Course((0.0, 0.0, 0.0))
        steps = (
            Position(key, 15, Course(peak, latency_s=0.0, rise_s=0.1, tau_s=900.0) if k < there else still)
            for k, key in enumerate(self.KEYS)
        )
        return analysed(BASELINE, *steps, procedure="static_positions", **made)

    @pytest.mark.parametrize(("axis", "most"), [(0, 4), (1, 1)])
    @pytest.mark.parametrize("sign", [1.0, -1.0])
    def test_how_many_positions(self, axis: int, most: int, sign: float) -> None:
        peak: Triple = (sign * 3.0, 0.0, 0.0) if axis == 0 else (0.0, sign * 1.8, 0.0)
        for more in (0, 1):
            shown = self.shown(most + more, peak)
            count = [f for f in shown.findings if f.key == "positions_with_nystagmus"]
            assert [f.value for f in count] == ([most + more, 0] if axis == 0 else [0, most + more])
            verdicts = ["outside" if k == axis and more else "inside" for k in (0, 1)]
            assert [f.verdict for f in count] == verdicts
            assert any("more than healthy people show it in" in t for t in shown.fits) is bool(more)

    def test_a_position_that_was_not_seen_leaves_the_count_open(self) -> None:
        made = positional(BASELINE, *(Position(key, 15) for key in self.KEYS), procedure="static_positions")
        (step,) = [e for e in made.events if (e.kind, e.text) == ("step", "head left")]
        for rows in made.samples.values():
            rows["pupil_quality"][(rows["time_s"] > step.start_s) & (rows["time_s"] < step.end_s)] = 0.0
        result = analyse_recording(made, BORN).results[0]  # type: ignore[arg-type]
        counts = [f for f in result.findings if f.key == "positions_with_nystagmus"]
        assert {f.reason for f in counts} == {"1 of 8 positions not assessed, nystagmus in 0"}


class TestUncertainSide:
    """A horizontal direction whose error leaves both sides open is not printed as one."""

    def seen(self, eye: Eye, way: Eye | None, key: str = "head hanging", down: Eye = "left") -> Seen:
        return Seen(key, eye, down, "horizontal", way, None, False, 20.0, 9.0, False, 1.0)

    @pytest.mark.parametrize("key", ["head hanging", "lying down", "bow"])
    def test_in_one_position(self, key: str) -> None:
        text = vertical_canal(self.seen("right", None, key))
        assert "None" not in text
        assert "to which side is too uncertain: no pattern is named" in text

    @pytest.mark.parametrize(("down", "up"), [("right", "left"), ("left", "right")])
    def test_with_one_ear_down(self, down: Eye, up: Eye) -> None:
        uncertain = one_sided(self.seen("right", None, down=down))
        assert f"with the {down} ear down only, to which side is too uncertain" in uncertain
        assert "geotropic" not in uncertain
        for way, ground in ((down, "geotropic"), (up, "apogeotropic")):
            assert f"Horizontal, {ground}, with" in one_sided(self.seen("right", way, down=down))

    @pytest.mark.parametrize(("right", "left", "agree"), [("right", None, True), (None, "left", True),
                                                          ("right", "left", False)])  # fmt: skip
    def test_an_eye_that_is_certain_stands_for_both(
        self, right: Eye | None, left: Eye | None, agree: bool
    ) -> None:
        found = one_for_all([self.seen("right", right), self.seen("left", left)])
        assert isinstance(found, Seen) is agree
        assert not isinstance(found, Seen) or found.horizontal_to == (right or left)


class TestBentAndLaid:
    """Which ear a direction supports: clinical reference 12.7, by hand."""

    @pytest.mark.parametrize(("way", "dps"), [("right", -20.0), ("left", 20.0)])
    @pytest.mark.parametrize(
        ("procedure", "step", "toward"),
        [("lying_down", "lying down", False), ("bow_and_lean", "bow", True), ("bow_and_lean", "lean", False)],
    )
    def test_the_ear_that_a_direction_supports(
        self, way: Eye, dps: float, procedure: str, step: str, toward: bool
    ) -> None:
        shown = analysed(BASELINE, Position(step, 40, Course((dps, 0.0, 0.0))), procedure=procedure)
        other = "left" if way == "right" else "right"
        geotropic, apogeotropic = (way, other) if toward else (other, way)
        text = words(shown)
        assert f"geotropic it supports the {geotropic} ear, where apogeotropic the {apogeotropic} one" in text
        assert "horizontal canal" not in text

    @pytest.mark.parametrize(("lean_dps", "against"), [(-12.0, True), (12.0, False), (-2.0, False)])
    @pytest.mark.parametrize("sign", [1.0, -1.0])
    def test_bow_and_lean_of_one_direction_contradict_each_other(
        self, lean_dps: float, against: bool, sign: float
    ) -> None:
        steps = [
            Position(key, 40, Course((v * sign, 0.0, 0.0), tau_s=60.0))
            for key, v in (("bow", -20.0), ("lean", lean_dps))
        ]
        shown = analysed(BASELINE, *steps, procedure="bow_and_lean")
        assert ("contradict each other" in words(shown)) is against

    @pytest.mark.parametrize(("ear", "peak"), [("right", RIGHT_POSTERIOR), ("left", LEFT_POSTERIOR)])
    def test_a_posterior_canal_that_bowing_inhibits_is_no_anterior_one(self, ear: Eye, peak: Triple) -> None:
        """Bowed it beats down, to the other ear, as that ear's anterior canal does; leaned back up, to it."""
        back: Triple = (-peak[0], -peak[1], -peak[2])
        steps = (Position("bow", 40, Course(back)), Position("lean", 40, Course(peak)))
        text = words(analysed(BASELINE, *steps, procedure="bow_and_lean"))
        assert "anterior canal" not in text
        assert text.count("Fits debris of a posterior canal, of either side") == 2
        assert f"Lean: up-beating, upper pole toward the {ear} ear: no canal is named" in text

    @pytest.mark.parametrize("vertical", [40.0, -40.0])
    def test_pure_vertical_nystagmus_is_flagged_there(self, vertical: float) -> None:
        shown = analysed(
            BASELINE, Position("lean", 40, Course((0.0, vertical, 0.0))), procedure="bow_and_lean"
        )
        assert len(shown.red_flags) == 1
