"""Which pattern is named, and above all which is not."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from analysis.analyse import analyse_recording
from analysis.battery.positional_shown import one_for_all
from analysis.positional_kinds import Kind, Seen, kind_of
from analysis.positional_patterns import horizontal_canal, one_sided, vertical_canal
from analysis.procedure import Result
from capture.samples import Eye
from tests.analysis.dix_hallpike import BASELINE, BORN, BOTH, RIGHT_POSTERIOR, UP, analysed, right_down
from tests.analysis.paroxysm import Course, Position, Triple, positional
from tests.analysis.sawtooth import Calibrated

LEFT_POSTERIOR = (-8.0, -40.0, 36.0)
RIGHT_ANTERIOR = (-8.0, 40.0, -32.0)


def left_down(course: Course, seconds: float = 40) -> Position:
    return Position("left ear down", seconds, course)


def roll(right: Course, left: Course, seconds: float = 40, baseline: Position = BASELINE) -> Result:
    return analysed(
        baseline,
        Position("roll to the right", seconds, right),
        Position("centre after right", 12, replace(baseline.course)),
        Position("roll to the left", seconds, left),
        procedure="supine_roll",
    )


def words(result: Result) -> str:
    return " ".join((*result.fits, *(flag.text for flag in result.red_flags)))


class TestDixHallpike:
    @pytest.mark.parametrize(("side", "peak"), [("right", RIGHT_POSTERIOR), ("left", LEFT_POSTERIOR)])
    def test_posterior_canal_of_the_lower_ear(self, side: Eye, peak: Triple) -> None:
        shown = analysed(BASELINE, Position(f"{side} ear down", 40, Course(peak)), UP)
        assert shown.procedure == f"dix_hallpike_{side}"
        (pattern,) = shown.fits
        assert f"fits {side} posterior canal canalolithiasis pattern" in pattern
        assert "central positional nystagmus also fits" in pattern
        assert shown.red_flags == ()

    def test_over_a_minute(self) -> None:
        lasting = Course(RIGHT_POSTERIOR, tau_s=200.0)
        assert "cupulolithiasis pattern" in words(analysed(BASELINE, right_down(lasting, 75), UP))

    def test_a_position_that_ended_first_decides_no_duration(self) -> None:
        lasting = Course(RIGHT_POSTERIOR, tau_s=200.0)
        text = words(analysed(BASELINE, right_down(lasting, 40), UP))
        assert "whether it lasts over a minute is not decided" in text
        assert "lithiasis" not in text

    def test_wrong_ear_marked(self) -> None:
        text = words(analysed(BASELINE, right_down(Course(LEFT_POSTERIOR)), UP))
        assert "does not fit the marked side" in text
        assert "lithiasis" not in text

    def test_what_one_of_two_seen_eyes_shows_names_no_canal(self) -> None:
        """Canals move both eyes: the left one holds still here."""
        both = positional(BASELINE, right_down(Course(RIGHT_POSTERIOR)), UP, eyes=BOTH)
        still = positional(BASELINE, right_down(Course((0.0, 0.0, 0.0))), UP, eyes=BOTH)
        both.samples["left"] = still.samples["left"]
        (pattern,) = analyse_recording(both, BORN).results[0].fits  # type: ignore[arg-type]
        assert "seen in the right eye alone: no canal is named" in pattern

    def test_anterior_canal_never_without_central(self) -> None:
        (pattern,) = analysed(BASELINE, left_down(Course(RIGHT_ANTERIOR)), UP).fits
        assert "right anterior canal" in pattern
        assert "central positional nystagmus" in pattern

    @pytest.mark.parametrize(
        ("peak", "name"),
        [
            ((1.0, 40.0, 2.0), "down-beating"),
            ((0.0, -30.0, -1.0), "up-beating"),
            ((1, 1, -25.0), "torsional"),
        ],
    )
    def test_a_pure_paroxysm_with_latency_is_never_benign_alone(self, peak: Triple, name: str) -> None:
        shown = analysed(BASELINE, right_down(Course(peak, latency_s=5.0, tau_s=5.0)), UP)
        (flag,) = shown.red_flags
        assert f"purely {name} positional nystagmus" in flag.text
        assert "no single canal gives this" in words(shown)
        assert "lithiasis" not in words(shown)

    @pytest.mark.parametrize(("vertical", "way"), [(-40.0, "up"), (40.0, "down")])
    def test_pure_is_not_said_without_torsion(self, vertical: float, way: str) -> None:
        shown = analysed(BASELINE, right_down(Course((2.0, vertical, -30.0))), UP, torsion_quality=0.1)
        assert f"{way}-beating, torsion not assessed" in words(shown)
        assert ("neither a posterior" if way == "up" else "neither an anterior") in words(shown)
        assert "purely vertical could not be told" in words(shown)
        assert shown.red_flags == ()

    def test_reversal_is_neither_another_canal_nor_central(self) -> None:
        back = tuple(-v / 4 for v in RIGHT_POSTERIOR)
        held = right_down(Course(RIGHT_POSTERIOR, lasts_s=14), 45, second=Course(back, latency_s=24.0))
        shown = analysed(BASELINE, held, replace(UP, course=Course(back, latency_s=1.0)))
        assert "fits right posterior canal canalolithiasis pattern" in words(shown)
        assert "the direction turns round (right ear down, sitting up)" in words(shown)
        assert "anterior canal" not in words(shown)
        assert shown.red_flags == ()

    def test_slow_nystagmus_names_no_canal(self) -> None:
        shown = analysed(BASELINE, right_down(Course((0, 1.8, 0), tau_s=500.0, beats_hz=1.5)), UP)
        assert "no faster than healthy people show it" in words(shown)
        assert shown.red_flags == ()

    @pytest.mark.parametrize(("side", "peak"), [("right", RIGHT_POSTERIOR), ("left", LEFT_POSTERIOR)])
    @pytest.mark.parametrize(
        ("lasts_s", "beats_hz", "named"), [(0.7, 3.0, False), (1.6, 1.0, False), (8.0, 3.0, True)]
    )
    def test_what_follows_faster_beats_the_other_way_names_nothing(
        self, side: Eye, peak: Triple, lasts_s: float, beats_hz: float, named: bool
    ) -> None:
        """Two short beats of a paroxysm are seen, a single long one, or its course. It reverses."""
        back = Course((-peak[0] / 4, -peak[1] / 4, -peak[2] / 4), latency_s=20.0)
        first = Course(peak, rise_s=0.05, lasts_s=lasts_s, beats_hz=beats_hz)
        shown = analysed(BASELINE, Position(f"{side} ear down", 45, first, second=back), UP)
        assert ("beats the other way" in words(shown)) is not named
        assert (f"{side} posterior canal" in words(shown)) is named
        assert "anterior canal" not in words(shown)

    @pytest.mark.parametrize("ear", BOTH)
    @pytest.mark.parametrize("rest_dps", [6.0, -6.0])
    @pytest.mark.parametrize(("added", "own"), [(0.75, False), (-0.75, False), (3.0, True), (-3.0, True)])
    def test_nystagmus_at_rest_that_grows_or_fades_names_nothing_and_is_flagged(
        self, ear: Eye, rest_dps: float, added: float, own: bool
    ) -> None:
        """Three quarters of it more or less are its own doing; three times as much is another nystagmus."""
        rest = (0.0, rest_dps, 0.0)
        held = Course((0.0, added * rest_dps, 0.0), tau_s=30.0, constant_dps=rest)
        still = Position("baseline", 20, Course(constant_dps=rest), reached_after_s=None)
        shown = analysed(still, Position(f"{ear} ear down", 40, held), UP)
        said = " ".join(shown.fits)
        assert ("no single canal gives this" in said) is own
        assert ("grows or fades: no canal is named" in said) is not own
        way = "up" if added * rest_dps < 0 else "down"  # the quick phase goes against the slow one
        assert any(f"purely {way}-beating positional nystagmus" in f.text for f in shown.red_flags)

    def test_nothing_is_named_where_direction_is_not_proven(self) -> None:
        unproven = Calibrated(direction="unproven")
        shown = analysed(BASELINE, right_down(Course(RIGHT_POSTERIOR)), UP, calibration=unproven, eyes=BOTH)
        assert shown.fits == ("right and left eye: direction not proven: no pattern is named.",)
        assert all(f.direction == "" for f in shown.findings)

    @pytest.mark.parametrize("ear", BOTH)
    @pytest.mark.parametrize(
        ("pure_eye", "turns", "flagged"),
        [("upper", "to the lower ear", False), ("upper", "not", True), ("upper", "to the upper ear", True),
         ("lower", "to the lower ear", True)],
    )  # fmt: skip
    def test_an_upper_eye_that_hardly_turns_is_no_red_flag(
        self, ear: Eye, pure_eye: str, turns: str, flagged: bool
    ) -> None:
        """One eye goes purely up, 40 deg/s; the other turns as well, or does not."""
        right = (ear == "right") == (turns != "to the upper ear")
        turning = RIGHT_POSTERIOR if right else LEFT_POSTERIOR
        positions = [
            (BASELINE, Position(f"{ear} ear down", 40, Course(way)), UP)
            for way in ((0.0, -40.0, 0.0), (0.0, -40.0, 0.0) if turns == "not" else turning)
        ]
        pure, eyes = (positional(*p, procedure=f"dix_hallpike_{ear}", eyes=BOTH) for p in positions)
        upper: Eye = "left" if ear == "right" else "right"
        alone = upper if pure_eye == "upper" else ear
        eyes.samples[alone] = pure.samples[alone]
        shown = analyse_recording(eyes, BORN).results[0]
        assert any("purely up-beating" in flag.text for flag in shown.red_flags) is flagged
        assert "lithiasis" not in words(shown)

    @pytest.mark.parametrize("unread", BOTH)
    @pytest.mark.parametrize(("vertical", "way"), [(-40.0, "up"), (40.0, "down")])
    def test_an_eye_whose_torsion_is_not_read_agrees_with_a_pure_one(
        self, unread: Eye, vertical: float, way: str
    ) -> None:
        both = positional(BASELINE, right_down(Course((0.0, vertical, 0.0))), UP, eyes=BOTH)
        both.samples[unread]["torsion_quality"] = 0.1
        shown = analyse_recording(both, BORN).results[0]  # type: ignore[arg-type]
        assert f"purely {way}-beating: no single canal gives this" in " ".join(shown.fits)
        assert "the eyes differ" not in words(shown)
        assert any(f"purely {way}-beating" in flag.text for flag in shown.red_flags)

    def test_eyes_that_differ_name_nothing(self) -> None:
        one = positional(BASELINE, right_down(Course(RIGHT_POSTERIOR)), UP, eyes=BOTH)
        other = positional(BASELINE, right_down(Course(RIGHT_ANTERIOR)), UP, eyes=BOTH)
        mixed = replace(one, samples={"right": one.samples["right"], "left": other.samples["left"]})
        assert "the eyes differ" in words(analyse_recording(mixed, BORN).results[0])


class TestRoll:
    def test_geotropic_names_the_stronger_side(self) -> None:
        """Worked example of the clinical reference: 45 and 22 deg/s, asymmetry 34 %."""
        shown = roll(Course((-45.0, 0, -14.0), latency_s=0.5), Course((22.0, 0, 7.0), latency_s=0.5))
        assert "Geotropic on both sides: fits right horizontal canal, canalolithiasis pattern" in words(shown)
        percent = next(f for f in shown.findings if f.key == "side_asymmetry")
        assert percent.value == pytest.approx(34.3, abs=3)

    def test_mirrored_it_names_the_other(self) -> None:
        shown = roll(Course((-22.0, 0, -7.0), latency_s=0.5), Course((45.0, 0, 14.0), latency_s=0.5))
        assert "fits left horizontal canal" in words(shown)

    @pytest.mark.parametrize(("faster", "sign"), [("right", 1), ("left", -1)])
    def test_sides_that_fade_unlike_were_not_seen_by_an_equally_wakeful_patient(
        self, faster: Eye, sign: int
    ) -> None:
        """4 s against 15 s: the faster side is not named; 4 s against 6 s it is."""

        def rolled(tau_s: float) -> str:
            fast = Course((-45.0 * sign, 0, -14.0 * sign), latency_s=0.5)
            slow = Course((22.0 * sign, 0, 7.0 * sign), latency_s=0.5, tau_s=tau_s)
            return words(roll(fast, slow, 60) if faster == "right" else roll(slow, fast, 60))

        assert f"fits {faster} horizontal canal" in rolled(6.0)
        text = rolled(15.0)
        assert "side not decided" in text
        assert "kept alert" in text

    @pytest.mark.parametrize("faster", ["right", "left"])
    @pytest.mark.parametrize("sinks", [True, False])
    def test_where_lids_sank_sides_must_fade_more_alike(self, faster: Eye, sinks: bool) -> None:
        """4 s against 10 s: a wakeful patient's may (7.3 and 14.8 s: Front Neurol 2020;11:260, abstract)."""
        sign = 1 if faster == "right" else -1
        fast, slow = Course((-45.0 * sign, 0, 0), latency_s=0.5), Course((22.0 * sign, 0, 0), 0.5, tau_s=10.0)
        right, left = (fast, slow) if faster == "right" else (slow, fast)
        recording = positional(
            BASELINE,
            Position("roll to the right", 60, right),
            Position("centre after right", 12),
            Position("roll to the left", 60, left),
            procedure="supine_roll",
        )
        (step,) = [e for e in recording.events if (e.kind, e.text) == ("step", f"roll to the {faster}")]
        rows = recording.samples["right"]
        late = (rows["time_s"] > step.start_s + 8) & (rows["time_s"] < step.end_s)
        rows["visible_share"][late] = 0.96 if sinks else 1.0
        text = words(analyse_recording(recording, BORN).results[0])  # type: ignore[arg-type]
        assert (f"fits {faster} horizontal canal" in text) is not sinks
        assert ("kept alert" in text) is sinks

    @pytest.mark.parametrize("sinks", ["right", "left"])
    @pytest.mark.parametrize("faster", ["right", "left"])
    def test_a_lid_that_hung_lower_at_the_slower_side_names_none(self, faster: Eye, sinks: Eye) -> None:
        """45 and 22 deg/s: sleepy, the slower side may truly be faster; the faster one is all the more."""
        speeds = {"right": (-45.0, 0, -14.0), "left": (22.0, 0, 7.0)}
        if faster == "left":
            speeds = {"right": (-22.0, 0, -7.0), "left": (45.0, 0, 14.0)}
        recording = positional(
            BASELINE,
            Position("roll to the right", 40, Course(speeds["right"], latency_s=0.5)),
            Position("centre after right", 12),
            Position("roll to the left", 40, Course(speeds["left"], latency_s=0.5)),
            procedure="supine_roll",
        )
        (step,) = [e for e in recording.events if (e.kind, e.text) == ("step", f"roll to the {sinks}")]
        rows = recording.samples["right"]
        rows["visible_share"][(rows["time_s"] > step.start_s) & (rows["time_s"] < step.end_s)] = 0.9
        text = words(analyse_recording(recording, BORN).results[0])  # type: ignore[arg-type]
        assert (f"fits {faster} horizontal canal" in text) is (sinks == faster)
        assert ("lid hung lower" in text) is (sinks != faster)

    def test_equal_sides_are_not_decided(self) -> None:
        shown = roll(Course((-40.0, 0, 0), latency_s=0.5), Course((40.0, 0, 0), latency_s=0.5))
        assert "horizontal canal, side not decided" in words(shown)

    def test_apogeotropic_over_a_minute_names_the_weaker_side(self) -> None:
        right, left = (Course((v, 0, 0), latency_s=0.3, tau_s=300.0) for v in (12.0, -30.0))
        assert "fits right horizontal canal, cupulolithiasis pattern" in words(roll(right, left, 70))

    def test_apogeotropic_under_a_minute_is_not_decided(self) -> None:
        right, left = (Course((v, 0, 0), latency_s=0.3) for v in (30.0, -60.0))
        text = words(roll(right, left))
        assert "Apogeotropic on both sides, not shown to last over a minute: not decided" in text
        assert "lithiasis" not in text

    def test_persistent_geotropic_names_no_side(self) -> None:
        right, left = (Course((v, 0, 0), latency_s=0.3, tau_s=300.0) for v in (-30.0, 12.0))
        text = words(roll(right, left, 70))
        assert "persistent geotropic" in text
        assert "Side not decided" in text

    @pytest.mark.parametrize(("faster", "right_dps", "left_dps"), [("right", -30, 12), ("left", -12, 30)])
    @pytest.mark.parametrize(("tau_s", "named"), [(300.0, False), (15.0, True)])
    def test_what_was_not_seen_to_fade_names_no_side(
        self, faster: Eye, right_dps: float, left_dps: float, tau_s: float, named: bool
    ) -> None:
        """Held for 30 s: of free debris a tenth is left (15 s), of a light cupula nine tenths."""
        right, left = (Course((v, 0, 0), latency_s=0.3, tau_s=tau_s) for v in (right_dps, left_dps))
        text = words(roll(right, left, 32))
        assert "Geotropic on both sides" in text
        assert (f"fits {faster} horizontal canal" in text) is named
        assert ("not seen to fade" in text) is not named

    def test_spontaneous_nystagmus_is_no_horizontal_canal(self) -> None:
        still = Course(constant_dps=(-8.0, 0, -2.0))
        shown = roll(still, still, baseline=replace(BASELINE, course=still))
        assert "fits right horizontal" not in words(shown)
        assert "fits left horizontal" not in words(shown)

    @pytest.mark.parametrize("with_baseline", [True, False])
    def test_nor_where_the_position_changes_its_speed(self, with_baseline: bool) -> None:
        """-15 and -3 deg/s: beyond a baseline of -9 this looks geotropic, 6 deg/s each way."""
        right, left = (Course(constant_dps=(v, 0, 0)) for v in (-15.0, -3.0))
        before = replace(BASELINE, course=Course(constant_dps=(-9.0, 0, 0))) if with_baseline else BASELINE
        text = words(roll(right, left, baseline=before))
        assert "canalolithiasis" not in text
        assert "canal, side" not in text
        if with_baseline:
            assert "direction-fixed" in text

    def test_a_slow_side_counts_beside_a_fast_one(self) -> None:
        """3 deg/s alone is what healthy people show; beside 30 deg/s it tells the pattern and the side."""
        slow, fast = (Course((v, 0, 0), latency_s=0.3, tau_s=300.0) for v in (3.0, -30.0))
        text = words(roll(slow, fast, 70))
        assert "fits right horizontal canal, cupulolithiasis pattern" in text
        assert "no faster" not in text
        faster, slower = (Course((v, 0, 0), latency_s=0.3, tau_s=300.0) for v in (30.0, -3.0))
        assert "fits left horizontal canal, cupulolithiasis pattern" in words(roll(faster, slower, 70))
        same = words(roll(Course((-3.0, 0, 0), latency_s=0.3, tau_s=300.0), fast, 70))
        assert "direction-fixed" in same
        assert "horizontal canal, cupulo" not in same

    def test_two_slow_sides_name_no_canal(self) -> None:
        right, left = (Course((v, 0, 0), latency_s=0.3, tau_s=300.0) for v in (2.0, -3.0))
        text = words(roll(right, left, 70))
        assert text.count("no faster than healthy people show it") == 2
        assert "Apogeotropic" not in text

    def test_one_side_only(self) -> None:
        shown = roll(Course((-30.0, 0, 0), latency_s=0.5), Course())
        assert "geotropic, with the right ear down only: no pattern is named" in words(shown)


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
            assert any("more than healthy people show it in" in t for t in shown.conclusions) is bool(more)

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

    def seen(self, eye: Eye, way: Eye | None, key: str = "head hanging") -> Seen:
        return Seen(key, eye, "left", "horizontal", way, None, False, 20.0, 9.0, False, 1.0)

    @pytest.mark.parametrize("key", ["head hanging", "lying down", "bow"])
    def test_in_one_position(self, key: str) -> None:
        text = vertical_canal(self.seen("right", None, key))
        assert "None" not in text
        assert "to which side is too uncertain: no pattern is named" in text

    def test_with_one_ear_down(self) -> None:
        assert "geotropic" not in one_sided(self.seen("right", None))
        assert "Horizontal, geotropic" in one_sided(self.seen("right", "left"))

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


class TestKinds:
    """Directions by hand; the tolerance of an axis is its standard error."""

    @pytest.mark.parametrize(
        ("shares", "error", "kind"),
        [
            ((0.27, -0.67, -0.69), 0.02, "up and torsional"),
            ((-0.18, 0.79, 0.59), 0.02, "down and torsional"),
            ((0.95, 0.04, 0.32), 0.02, "horizontal"),
            ((0.05, 0.99, 0.10), 0.02, "pure down"),
            ((0.05, -0.99, 0.10), 0.02, "pure up"),
            ((0.05, 0.08, -0.99), 0.02, "pure torsional"),
            ((0.05, 0.99, 0.10), 0.10, "down, torsion not known"),
            ((0.05, -0.99, math.nan), 0.02, "up, torsion not known"),
            ((0.60, 0.79, 0.05), 0.02, "mixed"),
            ((0.60, 0.05, 0.80), 0.02, "mixed"),
        ],
    )
    def test_kind(self, shares: Triple, error: float, kind: Kind) -> None:
        assert kind_of(shares, (error, error, error)) == kind

    def test_a_missing_axis_is_a_mistake(self) -> None:
        with pytest.raises(ValueError, match="shares"):
            kind_of((math.nan, 1.0, 0.0), (0.1, 0.1, 0.1))


def seen(ear: Eye, kind: Kind, way: Eye | None, lasts_s: float = 20.0, torsion: Eye | None = None) -> Seen:
    return Seen(f"{ear} ear down", "right", ear, kind, way, torsion, False, 20.0, lasts_s, False, 1.0)


class TestWords:
    @pytest.mark.parametrize("kind", ["pure up", "pure down", "pure torsional"])
    @pytest.mark.parametrize("lasts_s", [10.0, 100.0])
    def test_pure_is_never_a_canal_alone(self, kind: Kind, lasts_s: float) -> None:
        text = vertical_canal(seen("right", kind, None, lasts_s))
        assert "central positional nystagmus has to be excluded" in text

    @pytest.mark.parametrize("stronger", ["right", "left", None])
    @pytest.mark.parametrize("ways", [("right", "right"), ("left", "left")])
    def test_direction_fixed_is_no_canal(self, ways: tuple[Eye, Eye], stronger: Eye | None) -> None:
        pair = [seen(ear, "horizontal", way) for ear, way in zip(("right", "left"), ways, strict=True)]
        (text,) = horizontal_canal(pair[0], pair[1], stronger)
        assert "no horizontal canal pattern" in text

    @pytest.mark.parametrize("ways", [("right", "left"), ("left", "right")])
    def test_without_a_stronger_side_none_is_named(self, ways: tuple[Eye, Eye]) -> None:
        pair = [seen(ear, "horizontal", way, 90.0) for ear, way in zip(("right", "left"), ways, strict=True)]
        (text,) = horizontal_canal(pair[0], pair[1], None)
        assert "ide not decided" in text

    def test_an_unknown_way_names_nothing(self) -> None:
        (text,) = horizontal_canal(
            seen("right", "horizontal", None), seen("left", "horizontal", "left"), "right"
        )
        assert "no pattern is named" in text
