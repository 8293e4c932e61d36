"""Gaze holding and rebound on made traces; every figure known by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.analyse import analyse_recording
from analysis.gaze import alexander_slope, degree_of_nystagmus, integrator_time_constant_s
from tests.analysis.sawtooth import Made, Phase, make_recording, unseen
from tests.analysis.test_provoked import BORN, WIDE, found, result


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
