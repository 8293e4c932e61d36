"""Which pattern the supine roll names, and on which side."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.analyse import analyse_recording
from analysis.procedure import Result
from capture.samples import Eye
from tests.analysis.dix_hallpike import (
    BASELINE,
    BORN,
    analysed,
    words,
)
from tests.analysis.paroxysm import Course, Position, positional


def roll(right: Course, left: Course, seconds: float = 40, baseline: Position = BASELINE) -> Result:
    return analysed(
        baseline,
        Position("roll to the right", seconds, right),
        Position("centre after right", 12, replace(baseline.course)),
        Position("roll to the left", seconds, left),
        procedure="supine_roll",
    )


def mirrored(course: Course) -> Course:
    across, up, torsion = course.peak_dps
    return replace(course, peak_dps=(-across, up, -torsion))


class TestRoll:
    def test_geotropic_names_the_stronger_side(self) -> None:
        """Worked example of the clinical reference: 45 and 22 deg/s, asymmetry 34 %."""
        shown = roll(Course((-45.0, 0, -14.0), latency_s=0.5), Course((22.0, 0, 7.0), latency_s=0.5))
        assert "Geotropic on both sides: fits right horizontal canal, canalolithiasis pattern" in words(shown)
        percent = next(f for f in shown.findings if f.key == "side_asymmetry")
        assert percent.value == pytest.approx(34.3, abs=3)

    def test_the_asymmetry_rests_on_how_either_side_was_seen(self) -> None:
        """One side with four beats a second, the other with hardly more than one; and mirrored."""
        many = Course((-45.0, 0, -14.0), latency_s=0.5, beats_hz=4.0)
        few = Course((22.0, 0, 7.0), latency_s=0.5, beats_hz=1.2)
        widths = []
        for shown in (roll(many, few), roll(mirrored(few), mirrored(many))):
            interval = next(f for f in shown.findings if f.key == "side_asymmetry").interval
            assert interval is not None
            widths.append(interval[1] - interval[0])
        assert widths[0] == pytest.approx(widths[1], rel=0.3)

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
