"""Shaking, vibration, breathing and pressure on made traces; every figure known by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.analyse import analyse_recording
from analysis.battery.positional_others import OTHER_POSITIONAL
from analysis.battery.shaken import lean
from analysis.finding import Finding
from analysis.procedure import Result
from recordings.event import Event
from tests.analysis.paroxysm import Course, Position, positional
from tests.analysis.sawtooth import Calibrated, Made, Phase, make_recording

BORN = 1966
WIDE = Calibrated(valid_horizontal_deg=(-30.0, 30.0), valid_vertical_deg=(-30.0, 30.0))


def result(procedure: str, *phases: Phase, **made: object) -> Result:
    whole = Made(phases, procedure=procedure, **{"eyes": ("right",), "calibration": WIDE, **made})  # type: ignore[arg-type]
    return analyse_recording(make_recording(whole), BORN).results[0]


def found(shown: Result, key: str, step: str, axis: str = "horizontal") -> Finding:
    return next(f for f in shown.findings if (f.key, f.step, f.axis) == (key, step, axis))


def rest(name: str, seconds: float = 20) -> Phase:
    return Phase(name, seconds)


class TestHeadShake:
    def phases(self, after: tuple[float, float, float]) -> tuple[Phase, ...]:
        return (
            Phase("baseline", 20, (-1.0, 0, 0)),
            Phase("head shaking", 12, (200.0, 0, 0)),
            Phase("after head shaking", 60, after),
        )

    def test_change_less_the_baseline(self) -> None:
        """-9 after, -1 before: -8 deg/s, right-beating (worked example of the clinical reference)."""
        shown = result("head_shake", *self.phases((-9.0, 0, 0)))
        change = found(shown, "velocity_change", "after head shaking")
        assert change.value == pytest.approx(-8.0, abs=0.2)
        assert change.direction == "right"
        assert any("reduced function on the left" in text for text in shown.fits)
        assert all("perverted" not in text for text in shown.fits)

    def test_what_the_head_does_is_not_measured(self) -> None:
        shown = result("head_shake", *self.phases((-9.0, 0, 0)))
        assert [w.key for w in shown.windows] == ["baseline", "after head shaking"]

    def test_below_the_criterion_says_nothing(self) -> None:
        assert result("head_shake", *self.phases((-3.0, 0, 0))).fits == ()

    @pytest.mark.parametrize(("slow_s", "beats", "named"), [(1.45, 13, True), (4.95, 4, False)])
    def test_five_beats_in_twenty_seconds_are_enough(self, slow_s: float, beats: int, named: bool) -> None:
        """Beats of 1.5 s begin 14 times within 20 s, of 5 s four times; the first may be cut off."""
        shaken = (Phase("head shaking", 10), Phase("after head shaking", 60, (0, 5.0, 0), slow_s=slow_s))
        shown = result("head_shake", rest("baseline"), *shaken)
        count = found(shown, "beats_after_shaking", "after head shaking", "vertical")
        assert count.value == pytest.approx(beats, abs=1)
        assert count.direction == "down"
        assert (count.value >= 5) == named
        if named:
            assert any("perverted" in text for text in shown.fits)

    def test_no_way_without_an_interval_that_tells_it(self) -> None:
        """Nothing changes: each interval that holds 0 goes without a word, though its value has a sign."""
        same = (-6.0, 0.0, 0.0)
        shaken = (Phase("head shaking", 10), Phase("after head shaking", 60, same))
        shown = result("head_shake", Phase("baseline", 20, same), *shaken)
        changes = [f for f in shown.findings if f.key in ("velocity_change", "late_change") and f.interval]
        assert changes
        for f in changes:
            assert f.interval is not None
            assert bool(f.direction) == (f.interval[0] * f.interval[1] > 0)
        assert any(f.value and not f.direction for f in changes)

    @pytest.mark.parametrize(
        ("up", "down", "tells"), [(5, 0, 1), (0, 5, -1), (9, 1, 1), (3, 2, 0), (1, 0, 0)]
    )
    def test_to_which_side_beats_go(self, up: int, down: int, tells: int) -> None:
        """Of five, all one way: Jeffreys' lower end is 0.62 (beta of 5.5 and 0.5), above a half."""
        low, high = lean(up, down)
        assert (low > 0) - (high < 0) == tells

    def test_beats_like_those_at_rest_do_not_count(self) -> None:
        before = Phase("baseline", 20, (-6.0, 0, 0))
        after = (Phase("head shaking", 10), Phase("after head shaking", 60, (-6.0, 0, 0)))
        count = found(result("head_shake", before, *after), "beats_after_shaking", "after head shaking")
        assert count.value == 0

    def test_vertical_after_horizontal_shaking(self) -> None:
        shown = result("head_shake", *self.phases((-1.0, 6.0, 0)))
        assert any("perverted" in text and "central" in text for text in shown.fits)

    @pytest.mark.parametrize("sign", [-1.0, 1.0])
    def test_how_it_fades_and_turns_round(self, sign: float) -> None:
        """20 deg/s that fade with 8 s; the other way from 30 s on, 6 deg/s at 32 s."""
        first = Course((20 * sign, 0, 0), latency_s=0.0, rise_s=0.5, tau_s=8.0)
        second = Course((-6 * sign, 0, 0), latency_s=30.0, rise_s=2.0, tau_s=10.0)
        made = positional(
            Position("baseline", 20, reached_after_s=None),
            Position("head shaking", 12, reached_after_s=None),
            Position("after head shaking", 60, first, second, reached_after_s=None),
            procedure="head_shake",
        )
        shown = analyse_recording(made, BORN).results[0]
        key = "after head shaking"
        assert found(shown, "time_constant", key).value == pytest.approx(8.0, rel=0.1)
        peak = found(shown, "second_phase_peak", key)
        assert peak.value == pytest.approx(-6 * sign, abs=0.8)
        assert peak.direction == ("left" if sign < 0 else "right")
        assert found(shown, "second_phase_begins", key).value == pytest.approx(30.5, abs=1.5)

    def test_what_does_not_fade_has_no_time_constant(self) -> None:
        shown = result("head_shake", *self.phases((-9.0, 0, 0)))
        assert found(shown, "time_constant", "after head shaking").reason == "the slow phase does not fade"
        assert found(shown, "second_phase_peak", "after head shaking").reason == "no second phase"
        still = result("head_shake", *self.phases((-1.0, 0, 0)))
        assert "no nystagmus beyond" in found(still, "time_constant", "after head shaking").reason


class TestVibration:
    def phases(self, right: float, left: float) -> tuple[Phase, ...]:
        speeds = (("vibration right", right), ("vibration left", left), ("vibration vertex", -1.5))
        return (
            Phase("baseline", 15, (-1.5, 0, 0)),
            *(
                phase
                for key, speed in speeds
                for phase in (Phase(key, 10, (speed, 0, 0)), Phase(f"rest after {key}", 12, (-1.5, 0, 0)))
            ),
        )

    def test_the_same_way_from_both_mastoids(self) -> None:
        """-9.5 and -8.1 less -1.5: -8.0 and -6.6 (worked example of the clinical reference)."""
        shown = result("vibration", *self.phases(-9.5, -8.1))
        changes = [found(shown, "velocity_change", f"vibration {s}").value for s in ("right", "left")]
        assert changes == pytest.approx([-8.0, -6.6], abs=0.2)
        (text,) = shown.fits
        assert "reduced function on the left" in text
        assert "dehiscence of the right superior canal" in text

    def test_it_comes_and_goes_with_the_stimulus(self) -> None:
        shown = result("vibration", *self.phases(-9.5, -8.1))
        for side in ("right", "left"):
            assert found(shown, "response_begins", f"vibration {side}").value == pytest.approx(0.0, abs=0.6)
            assert found(shown, "response_ends", f"vibration {side}").value == pytest.approx(0.0, abs=0.6)
        assert found(shown, "response_begins", "vibration vertex").reason == (
            "no nystagmus beyond the baseline"
        )

    def test_different_ways_name_nothing(self) -> None:
        assert result("vibration", *self.phases(-9.5, 6.5)).fits == ()

    def test_one_mastoid_alone_names_nothing(self) -> None:
        assert result("vibration", *self.phases(-9.5, -1.5)).fits == ()


def test_breathing_is_held_against_the_rest_before() -> None:
    shown = result(
        "hyperventilation",
        rest("baseline"),
        Phase("deep breathing", 60, (-3.0, 0, 0)),
        Phase("after breathing", 90, (-5.0, 0, 0)),
    )
    assert found(shown, "velocity_change", "after breathing").value == pytest.approx(-5.0, abs=0.1)
    assert found(shown, "velocity_change", "deep breathing").value == pytest.approx(-3.0, abs=0.1)
    (text,) = shown.fits
    assert "irritation on the right" in text
    assert found(shown, "response_begins", "deep breathing").value == pytest.approx(0.0, abs=0.6)
    assert "still running" in found(shown, "response_lasts", "deep breathing").reason


@pytest.mark.parametrize("mirror", [1, -1])
@pytest.mark.parametrize(("rest", "breathing", "named"), [(-8.0, -12.0, False), (-1.0, -5.0, True)])
def test_what_a_nystagmus_may_vary_of_itself_is_no_response(
    rest: float, breathing: float, named: bool, mirror: int
) -> None:
    """Faster by 4 deg/s: of 8 deg/s that is within 3 x sqrt(2) x 25 % = 8.5, of 1 deg/s beyond 1.1."""
    shown = result(
        "hyperventilation",
        Phase("baseline", 20, (mirror * rest, 0, 0)),
        Phase("deep breathing", 60, (mirror * breathing, 0, 0)),
        Phase("after breathing", 90, (mirror * breathing, 0, 0)),
    )
    change = found(shown, "velocity_change", "deep breathing")
    assert change.value == pytest.approx(-4.0 * mirror, abs=0.2)
    assert bool(shown.fits) == named


@pytest.mark.parametrize("mirror", [1, -1])
@pytest.mark.parametrize(("rest", "counts"), [(-8.0, False), (-1.0, True)])
def test_what_a_nystagmus_may_vary_of_itself_is_no_beat_of_shaking(
    rest: float, counts: bool, mirror: int
) -> None:
    """Faster by 4 deg/s: 2 x sqrt(2) x 25 % of 8 deg/s is 5.7, of 1 deg/s 0.7."""
    shaken = (Phase("head shaking", 10), Phase("after head shaking", 60, (mirror * (rest - 4.0), 0, 0)))
    shown = result("head_shake", Phase("baseline", 20, (mirror * rest, 0, 0)), *shaken)
    count = found(shown, "beats_after_shaking", "after head shaking").value
    assert count is not None
    assert (count > 30) == counts
    assert bool(shown.fits) == counts


def test_when_a_response_to_breathing_comes_and_goes() -> None:
    """As long as the breathing, 60 s."""
    shown = result(
        "hyperventilation",
        rest("baseline"),
        Phase("deep breathing", 60, (-4.0, 0, 0)),
        Phase("after breathing", 90, (0, 0, 0)),
    )
    assert found(shown, "response_lasts", "deep breathing").value == pytest.approx(60.0, abs=1.0)


class TestPressure:
    def test_anterior_canal_by_its_axis(self) -> None:
        """Left tone: slow phase up 6, upper pole toward the right 5: the left anterior canal excited."""
        shown = result("pressure_and_sound", rest("baseline", 15), Phase("tone left", 5, (0, 6.0, 5.0)))
        (text,) = shown.fits
        assert "upper pole toward the left ear" in text
        assert "excitation of the left anterior (superior) canal" in text

    @pytest.mark.parametrize(("ear", "other", "torsion"), [("right", "left", 5.0), ("left", "right", -5.0)])
    def test_inhibition_is_the_other_way_round(self, ear: str, other: str, torsion: float) -> None:
        """Against what excitation of the anterior canal does: down 6, upper pole toward its ear 5."""
        shown = result(
            "pressure_and_sound", rest("baseline", 15), Phase("valsalva glottis", 12, (0, -6.0, torsion))
        )
        (text,) = shown.fits
        assert f"up-beating, upper pole toward the {other} ear" in text
        assert f"inhibition of the {ear} anterior (superior) canal" in text
        assert f"excitation of the {other} posterior canal" in text

    def test_torsion_that_cannot_be_read_is_not_said_to_be_none(self) -> None:
        phases = (rest("baseline", 15), Phase("tone left", 5, (0, 6.0, 5.0)))
        (text,) = result("pressure_and_sound", *phases, torsion_quality=0.1).fits
        assert "torsion not assessed" in text

    def test_a_deviation_without_beats_counts(self) -> None:
        made = make_recording(
            Made((rest("baseline", 15), rest("pressure right", 15)), procedure="pressure_and_sound")
        )
        start_s = made.events[1].start_s
        for rows in made.samples.values():
            since = (rows["time_s"] - start_s).clip(0, None)
            rows["horizontal_deg"] += 1.5 * since  # drifts for 15 s and is never taken back
        shown = analyse_recording(made, BORN).results[0]
        change = found(shown, "velocity_change", "pressure right")
        assert change.value == pytest.approx(1.5, abs=0.1)

    def test_a_missing_rest_is_said(self) -> None:
        shown = result("pressure_and_sound", Phase("tone left", 5, (0, 6.0, 5.0)))
        assert found(shown, "velocity_change", "tone left").reason == "no step baseline before"


class TestOtherPositions:
    def test_each_begins_with_a_baseline_and_waits_for_nystagmus(self) -> None:
        for procedure in OTHER_POSITIONAL:
            assert procedure.steps[0].key == "baseline"
            assert any(step.waits_for_nystagmus for step in procedure.steps)

    def test_pure_down_beat_with_the_head_hanging_is_flagged(self) -> None:
        made = positional(
            Position("baseline", 20, reached_after_s=None),
            Position("head hanging", 35, Course((0, 20.0, 0), latency_s=3.0)),
            procedure="head_hanging",
        )
        shown = analyse_recording(made, BORN).results[0]
        (flag,) = shown.red_flags
        assert "purely down-beating" in flag.text


def test_mirrored_patient_mirrors_the_words() -> None:
    phases = TestVibration().phases(-9.5, -8.1)
    other = tuple(replace(p, velocity_dps=tuple(-v for v in p.velocity_dps)) for p in phases)
    (text,) = result("vibration", *other).fits
    assert "reduced function on the right" in text


def test_a_repeated_stimulus_is_compared_by_itself() -> None:
    made = make_recording(
        Made(
            (rest("baseline", 15), Phase("vibration right", 10, (-8.0, 0, 0)),
             Phase("vibration right", 10, (-6.0, 0, 0))),
            procedure="vibration",
        )
    )  # fmt: skip
    made = replace(made, events=(*made.events, Event(5.0, 5.0, "confirmed", "baseline")))
    shown = analyse_recording(made, BORN).results[0]
    values = [found(shown, "velocity_change", f"vibration right{n}").value for n in ("", " 2")]
    assert values == pytest.approx([-8.0, -6.0], abs=0.2)
