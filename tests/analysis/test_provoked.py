"""Gaze holding, shaking, vibration, breathing and pressure on made traces; every figure known by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.analyse import analyse_recording
from analysis.battery.positional_others import OTHER_POSITIONAL
from analysis.battery.shaken import lean
from analysis.finding import Finding
from analysis.gaze import alexander_slope, degree_of_nystagmus, integrator_time_constant_s
from analysis.procedure import Result
from recordings.event import Event
from tests.analysis.paroxysm import Course, Position, positional
from tests.analysis.sawtooth import Calibrated, Made, Phase, make_recording, unseen

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


@pytest.mark.parametrize(("rest", "breathing", "named"), [(-8.0, -12.0, False), (-1.0, -5.0, True)])
def test_what_a_nystagmus_may_vary_of_itself_is_no_response(
    rest: float, breathing: float, named: bool
) -> None:
    """Faster by 4 deg/s: of 8 deg/s that is within 3 x sqrt(2) x 25 % = 8.5, of 1 deg/s beyond 1.1."""
    shown = result(
        "hyperventilation",
        Phase("baseline", 20, (rest, 0, 0)),
        Phase("deep breathing", 60, (breathing, 0, 0)),
        Phase("after breathing", 90, (breathing, 0, 0)),
    )
    change = found(shown, "velocity_change", "deep breathing")
    assert change.value == pytest.approx(-4.0, abs=0.2)
    assert bool(shown.fits) == named


@pytest.mark.parametrize(("rest", "counts"), [(-8.0, False), (-1.0, True)])
def test_what_a_nystagmus_may_vary_of_itself_is_no_beat_of_shaking(rest: float, counts: bool) -> None:
    """Faster by 4 deg/s: 2 x sqrt(2) x 25 % of 8 deg/s is 5.7, of 1 deg/s 0.7."""
    shaken = (Phase("head shaking", 10), Phase("after head shaking", 60, (rest - 4.0, 0, 0)))
    shown = result("head_shake", Phase("baseline", 20, (rest, 0, 0)), *shaken)
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


class TestGaze:
    def phases(
        self, right: float, left: float, centre: float = 0.0, after: float = 0.0, held: float = 25.0
    ) -> tuple[Phase, ...]:
        return (
            Phase("centre", 20, (centre, 0, 0)),
            Phase("gaze right", 20, (right, 0, 0), place_deg=(held, 0, 0)),
            Phase("centre after right", 20, (after or centre, 0, 0)),
            Phase("gaze left", 20, (left, 0, 0), place_deg=(-held, 0, 0)),
            Phase("centre after left", 20, (centre, 0, 0)),
        )

    def test_time_constant_and_direction_that_changes(self) -> None:
        """25 / 2.5 = 10 s and 25 / 2.3 = 10.9 s (worked example of the clinical reference)."""
        shown = result("gaze_holding", *self.phases(-2.5, 2.3))
        taus = [found(shown, "integrator_time_constant", f"gaze {w}").value for w in ("right", "left")]
        assert taus == pytest.approx([10.0, 10.87], abs=0.3)
        (flag,) = shown.red_flags
        assert "changes direction" in flag.text
        assert any("cerebellum or brainstem, drugs and alcohol" in text for text in shown.fits)

    def test_time_constant_of_the_place_that_was_held(self) -> None:
        """20 deg beside targets at 25: 20 / 2.5 = 8 s; an eye that stayed at the centre has none."""
        tau, key = "integrator_time_constant", "gaze right"
        shown = result("gaze_holding", *self.phases(-2.5, 2.3, held=20.0))
        assert found(shown, tau, key).value == pytest.approx(8.0, abs=0.25)
        shown = result("gaze_holding", *self.phases(-2.5, 2.3, held=-1.0))
        assert found(shown, tau, key).reason == "the eye was not held to the side of the target"

    @pytest.mark.parametrize("mirror", [1, -1])
    def test_time_constant_beside_a_nystagmus_at_the_centre(self, mirror: int) -> None:
        """6 deg/s at the centre, an integrator of 10 s: 6 - 2.5 and 6 + 2.5 at 25 deg. It is not 25 / v."""
        right, left = (3.5, 8.5) if mirror > 0 else (-8.5, -3.5)
        shown = result("gaze_holding", *self.phases(right, left, centre=mirror * 6.0))
        for way in ("right", "left"):
            tau = found(shown, "integrator_time_constant", f"gaze {way}")
            assert tau.value == pytest.approx(10.0, abs=0.4)
            assert tau.interval is not None
            assert tau.interval[0] < 10.0 < tau.interval[1]
            assert "centre taken off" in tau.formula

    def test_time_constant_about_a_place_beside_the_centre(self) -> None:
        """An integrator of 10 s that rests at 5 deg: 0.5 deg/s at the centre, -2 and 3 at 25 deg."""
        shown = result("gaze_holding", *self.phases(-2.0, 3.0, centre=0.5))
        for way in ("right", "left"):
            tau = found(shown, "integrator_time_constant", f"gaze {way}")
            assert tau.value == pytest.approx(10.0, abs=0.8)
            assert tau.interval is not None
            assert tau.interval[0] < 10.0 < tau.interval[1]

    @pytest.mark.parametrize("centre", ["missing", "not seen"])
    def test_time_constant_without_a_centre(self, centre: str) -> None:
        """6 deg/s at the centre are not known of: 25 / 8.5 = 2.9 s, and nothing says that they were."""
        phases = self.phases(-8.5, -3.5, centre=-6.0)
        kept = phases[1:] if centre == "missing" else phases
        made = make_recording(Made(kept, procedure="gaze_holding", eyes=("right",), calibration=WIDE))
        if centre == "not seen":
            made = unseen(made, 3.0, 23.0)  # after the targets
        shown = analyse_recording(made, BORN).results[0]
        tau = found(shown, "integrator_time_constant", "gaze right")
        assert tau.value == pytest.approx(25 / 8.5, abs=0.2)
        assert "taken off" not in tau.formula

    def test_slow_end_point_nystagmus_is_no_flag(self) -> None:
        shown = result("gaze_holding", *self.phases(-1.3, 1.3))
        assert shown.red_flags == ()
        assert shown.fits == ()

    def test_third_degree_obeys_alexanders_law(self) -> None:
        """Left-beating 12, 8 and 4 deg/s at 25 deg left, centre and 25 deg right: (12 - 4) / 50 = 0.16."""
        shown = result("gaze_holding", *self.phases(4.0, 12.0, centre=8.0))
        slope = next(f for f in shown.findings if f.key == "alexander_slope")
        assert slope.value == pytest.approx(0.16, abs=0.01)
        assert any(
            "left-beating in every gaze that shows nystagmus, third degree" in t for t in shown.conclusions
        )
        assert shown.red_flags == ()

    @pytest.mark.parametrize(
        ("hidden_s", "why"),
        [((3.0, 23.0), "centre: "), ((23.0, 43.0), "gaze right: "), ((3.0, 200.0), "gaze right: ")],
    )
    def test_no_degree_where_a_gaze_was_not_seen(self, hidden_s: tuple[float, float], why: str) -> None:
        """Steps of 20 s behind 3 s of targets; an eye that was not seen is not one without nystagmus."""
        phases = self.phases(4.0, 12.0, centre=8.0)
        made = make_recording(Made(phases, procedure="gaze_holding", eyes=("right",), calibration=WIDE))
        shown = analyse_recording(unseen(made, *hidden_s), BORN).results[0]
        (text,) = [t for t in shown.conclusions if "degree" in t]
        assert text.startswith(f"Right eye: degree of a horizontal nystagmus not assessed ({why}")
        assert not any("in any gaze" in t or "in every gaze" in t for t in shown.conclusions)

    def test_no_degree_where_a_gaze_was_not_recorded(self) -> None:
        shown = result("gaze_holding", *self.phases(4.0, 12.0, centre=8.0)[:2])
        assert any("not assessed (gaze left: not recorded)" in t for t in shown.conclusions)

    def test_no_nystagmus_in_three_gazes_that_were_seen(self) -> None:
        shown = result("gaze_holding", *self.phases(0.0, 0.0))
        assert "Right eye: no horizontal nystagmus in any gaze." in shown.conclusions

    def test_rebound(self) -> None:
        shown = result("gaze_holding", *self.phases(-4.0, 4.0, after=5.0))
        assert found(shown, "rebound", "centre after right").value == pytest.approx(5.0, abs=0.3)
        assert found(shown, "rebound", "centre after left").value == pytest.approx(0.0, abs=0.3)
        assert any("Rebound (centre after right)" in text for text in shown.fits)

    @pytest.mark.parametrize(
        ("way", "axis", "sign"), [("right", 0, 1), ("left", 0, -1), ("up", 1, 1), ("down", 1, -1)]
    )
    @pytest.mark.parametrize("turns", [True, False])
    def test_rebound_turns_round_toward_where_the_eye_was_held(
        self, way: str, axis: int, sign: int, turns: bool
    ) -> None:
        """Held right, it drifts left and, at the centre after it, right; that way only is it a rebound."""

        def along(value: float) -> tuple[float, float, float]:
            return (value, 0, 0) if axis == 0 else (0, value, 0)

        shown = result(
            "gaze_holding",
            Phase("centre", 20, (0, 0, 0)),
            Phase(f"gaze {way}", 20, along(-4.0 * sign), place_deg=along(20.0 * sign)),
            Phase(f"centre after {way}", 20, along(5.0 * sign if turns else -5.0 * sign)),
        )
        change = next(f for f in shown.findings if f.key == "rebound" and f.step == f"centre after {way}")
        assert change.value == pytest.approx(5.0 * sign if turns else -5.0 * sign, abs=0.3)
        assert any(f"Rebound (centre after {way})" in text for text in shown.fits) == turns

    @pytest.mark.parametrize("mirror", [1, -1])
    @pytest.mark.parametrize("after", [-12.0, -3.0])
    def test_a_nystagmus_that_varies_is_no_rebound(self, after: float, mirror: int) -> None:
        """Right-beating 8 deg/s, 4 or 5 faster or slower at the centre after both gazes; and its mirror."""
        right, left = (-10.0, -6.0) if mirror > 0 else (6.0, 10.0)
        phases = self.phases(right, left, after=mirror * after, centre=mirror * -8.0)
        shown = result("gaze_holding", *phases[:4], replace(phases[2], text="centre after left"))
        for way in ("right", "left"):
            change = found(shown, "rebound", f"centre after {way}").value
            assert change == pytest.approx(mirror * (after + 8.0), abs=0.3)
        assert not any("Rebound" in text for text in shown.fits)

    @pytest.mark.parametrize(
        ("gazes", "centre", "place"), [((-4.0, 2.0), -1.0, -8.3), ((-2.0, 4.0), 1.0, 8.3)]
    )
    def test_null_position(self, gazes: tuple[float, float], centre: float, place: float) -> None:
        """2, -1 and -4 deg/s at -25, 0 and 25 deg: a line of -0.12 a degree, which passes 0 at -8.3 deg."""
        null = found(result("gaze_holding", *self.phases(*gazes, centre=centre)), "null_gaze", "")
        assert null.value == pytest.approx(place, abs=1.0)
        shown = result("gaze_holding", *self.phases(-4.0, -8.0, centre=-6.0))
        assert found(shown, "null_gaze", "").reason == "the nystagmus does not turn round between the angles"

    def test_how_long_rebound_lasts(self) -> None:
        """5 deg/s for 6 s after right gaze; none after left gaze."""
        phases = self.phases(-4.0, 4.0)
        shown = result(
            "gaze_holding",
            *phases[:2],
            Phase("centre after right", 6, (5.0, 0, 0)),
            Phase("pause", 14),
            *phases[3:],
        )
        assert "still running" in found(shown, "response_ends", "centre after right").reason
        assert "no nystagmus" in found(shown, "response_ends", "centre after left").reason

    def test_without_fixation_nothing_is_flagged(self) -> None:
        shown = result("gaze_holding_dark", *self.phases(-4.0, 4.0, after=5.0))
        assert (shown.fits, shown.red_flags) == ((), ())
        assert found(shown, "integrator_time_constant", "gaze right").value == pytest.approx(6.2, abs=0.4)
        assert all(w.light == "dark" for w in shown.windows)

    def test_what_drifts_outward_has_no_time_constant(self) -> None:
        shown = result("gaze_holding", *self.phases(2.5, -2.5))
        assert found(shown, "integrator_time_constant", "gaze right").reason == (
            "the eye does not drift toward the centre"
        )
        assert found(shown, "integrator_time_constant", "gaze up", "vertical").reason == "step not recorded"

    @pytest.mark.parametrize("eccentricity", [0.0, float("nan")])
    def test_no_eccentricity_is_a_mistake(self, eccentricity: float) -> None:
        with pytest.raises(ValueError, match="eccentricity_deg"):
            integrator_time_constant_s(eccentricity, -1.0)

    def test_formulas(self) -> None:
        assert integrator_time_constant_s(-25.0, 2.0) == 12.5
        assert integrator_time_constant_s(-25.0, -2.0) is None
        assert alexander_slope(4.0, -12.0) == pytest.approx(-0.2)
        with pytest.raises(ValueError, match="between_deg"):
            alexander_slope(4.0, 12.0, 0.0)
        assert degree_of_nystagmus(True, False, True) == ""


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
