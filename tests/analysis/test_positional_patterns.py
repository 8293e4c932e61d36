"""Which pattern is named, and above all which is not."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from analysis.analyse import analyse_recording
from analysis.positional_kinds import Kind, Seen, kind_of
from analysis.positional_patterns import horizontal_canal, vertical_canal
from capture.samples import Eye
from tests.analysis.dix_hallpike import (
    BASELINE,
    BORN,
    BOTH,
    LEFT_POSTERIOR,
    RIGHT_POSTERIOR,
    UP,
    analysed,
    right_down,
    words,
)
from tests.analysis.paroxysm import Course, Position, Triple, positional
from tests.analysis.sawtooth import Calibrated

RIGHT_ANTERIOR = (-8.0, 40.0, -32.0)


def left_down(course: Course, seconds: float = 40) -> Position:
    return Position("left ear down", seconds, course)


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

    @pytest.mark.parametrize(
        ("kind", "large", "said"),
        [
            ("up and torsional", True, True),
            ("down and torsional", True, True),
            ("up and torsional", False, False),
            ("down and torsional", False, False),
            ("horizontal", True, False),
        ],
    )
    def test_more_than_one_canal_only_beside_a_vertical_one(
        self, kind: Kind, large: bool, said: bool
    ) -> None:
        one = replace(seen("right", kind, "right", torsion="right"), more_than_one=large)
        assert ("more than one canal" in vertical_canal(one)) == said

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
