"""Words for nystagmus that a stimulus provokes and that is not the same all along."""

from __future__ import annotations

from typing import Literal

import pytest

from analysis.analyse import analyse_recording
from tests.analysis.paroxysm import Course, Position, positional
from tests.analysis.sawtooth import Calibrated, Made, Phase, make_recording


@pytest.mark.parametrize(
    ("sign", "proof", "said"),
    [(-1, "proven", "right-beating"), (1, "proven", "left-beating"), (1, "unproven", "horizontal nystagmus")],
)
def test_what_fades_is_not_said_to_be_no_nystagmus(
    sign: int, proof: Literal["proven", "unproven"], said: str
) -> None:
    """20 deg/s that fade with 3 s scatter over the minute by more than their median tells."""
    course = Course((20.0 * sign, 0.0, 0.0), latency_s=0.0, rise_s=0.5, tau_s=3.0)
    made = positional(
        Position("baseline", 20, reached_after_s=None),
        Position("head shaking", 12, reached_after_s=None),
        Position("after head shaking", 60, course, reached_after_s=None),
        procedure="head_shake",
        calibration=Calibrated(direction=proof),
    )
    texts = analyse_recording(made, 1966).results[0].conclusions
    (text,) = (text for text in texts if text.startswith("After head shaking"))
    assert f"right eye {said}" in text


@pytest.mark.parametrize(("sign", "way", "other"), [(-1, "Right", "left"), (1, "Left", "right")])
@pytest.mark.parametrize(("begins_s", "after_s", "outlasts"), [(3.5, 0.0, False), (0.0, 8.0, True)])
def test_vibration_that_acts_late_or_outlasts_itself(
    sign: int, way: str, other: str, begins_s: float, after_s: float, outlasts: bool
) -> None:
    """8 deg/s with either mastoid, from 3.5 s of the vibration on, or until 8 s after it."""
    stays = Course((8.0 * sign, 0.0, 0.0), latency_s=begins_s, rise_s=0.1, tau_s=1000.0)
    goes_on = Course((8.0 * sign, 0.0, 0.0), latency_s=0.0, rise_s=0.1, tau_s=after_s / 2 or 0.01)
    made = positional(
        Position("baseline", 15, reached_after_s=None),
        *(
            position
            for side in ("right", "left")
            for position in (
                Position(f"vibration {side}", 10, stays, reached_after_s=None),
                Position(f"rest after vibration {side}", 20, goes_on, reached_after_s=None),
            )
        ),
        procedure="vibration",
    )
    (text,) = analyse_recording(made, 1966).results[0].fits
    assert text.startswith(f"{way}-beating with vibration of either mastoid")
    assert f"reduced function on the {other}" in text
    assert ("outlasts the vibration" in text) == outlasts


def fits(procedure: str, *phases: Phase) -> tuple[str, ...]:
    made = Made(phases, procedure=procedure, eyes=("right",))
    return analyse_recording(make_recording(made), 1966).results[0].fits


@pytest.mark.parametrize(("sign", "way"), [(-1, "Right"), (1, "Left")])
def test_nystagmus_in_the_last_seconds_of_breathing_alone(sign: int, way: str) -> None:
    """5 deg/s with deep breathing that have gone as it ends."""
    during = Phase("deep breathing", 60, (5.0 * sign, 0, 0))
    (text,) = fits("hyperventilation", Phase("baseline", 20), during, Phase("after breathing", 90))
    assert text.startswith(
        f"Toward {way.lower()}-beating with deep breathing (or less the other way than at rest)"
    )


@pytest.mark.parametrize(("vertical_dps", "way"), [(5.0, "down"), (-5.0, "up")])
@pytest.mark.parametrize(
    ("across_dps", "torsion_dps", "said"),
    [
        (0.0, 0.0, "without torsion"),
        (0.0, 4.0, "or its nerve"),
        (2.0, 0.0, "without torsion"),
        (9.0, 0.0, ""),
    ],
)
class TestVertical:
    """The quick phase goes against the slow one; beside a faster horizontal change it is a part of that."""

    def test_with_breathing(
        self, vertical_dps: float, way: str, across_dps: float, torsion_dps: float, said: str
    ) -> None:
        during = Phase("deep breathing", 60, (across_dps, vertical_dps, torsion_dps))
        texts = fits("hyperventilation", Phase("baseline", 20), during, Phase("after breathing", 90))
        mine = [t for t in texts if t.startswith(f"Toward {way}-beating")]
        assert len(mine) == (1 if said else 0)
        assert all(said in t and "central cause (Leigh & Zee" in t for t in mine)
        assert not any("up-beating" in t or "down-beating" in t for t in texts if t not in mine)

    @pytest.mark.parametrize("both", [True, False])
    def test_with_vibration_of_either_mastoid(
        self, vertical_dps: float, way: str, across_dps: float, torsion_dps: float, said: str, both: bool
    ) -> None:
        moved = (across_dps, vertical_dps, torsion_dps)
        phases = [
            Phase("baseline", 15),
            Phase("vibration right", 10, moved),
            Phase("rest after vibration right", 30),
        ]
        phases += [
            Phase("vibration left", 10, moved if both else (0, 0, 0)),
            Phase("rest after vibration left", 30),
        ]
        texts = fits("vibration", *phases)
        mine = [
            t for t in texts if t.startswith(f"{way.capitalize()}-beating with vibration of either mastoid")
        ]
        assert len(mine) == (1 if said and both else 0)
        assert all(said in t and "central cause (Leigh & Zee" in t for t in mine)


class TestPressure:
    def step(self, key: str, *velocity_dps: float) -> tuple[str, ...]:
        across, up, turn = velocity_dps
        return fits("pressure_and_sound", Phase("baseline", 15), Phase(key, 10, (across, up, turn)))

    @pytest.mark.parametrize(("toward", "canal"), [(1, "left"), (-1, "right")])
    def test_the_horizontal_part_of_an_anterior_canal_is_no_fistula(self, toward: int, canal: str) -> None:
        """Slow phase up 8 and 6 toward one ear: the other's anterior canal; 2 across are a quarter of 8."""
        (text,) = self.step("tone left", 2.0 * toward, 8.0, 6.0 * toward)
        assert f"excitation of the {canal} anterior (superior) canal" in text

    @pytest.mark.parametrize(("toward", "way"), [(1, "left"), (-1, "right")])
    @pytest.mark.parametrize("up_dps", [1.5, -1.5])
    def test_what_leaks_onto_the_vertical_axis_is_not_central(
        self, toward: int, way: str, up_dps: float
    ) -> None:
        """10 across, of which 1.5 up or down are no pattern of their own."""
        (text,) = self.step("pressure left", 10.0 * toward, up_dps, 0.2)
        assert text == f"Pressure left: {way}-beating: fits a fistula of the horizontal canal."

    @pytest.mark.parametrize("sign", [1.0, -1.0])
    @pytest.mark.parametrize(
        ("wander_dps", "pressed_dps", "named"), [(0.0, 2.0, True), (1.0, 2.0, False), (1.0, 9.0, True)]
    )
    @pytest.mark.parametrize("upward", [False, True])
    def test_what_the_eye_strays_of_itself_from_rest_to_rest_names_nothing(
        self, sign: float, wander_dps: float, pressed_dps: float, named: bool, upward: bool
    ) -> None:
        """Rests of +1 and -1 deg/s in turn: two of them differ by as much as the pressure does."""

        def moved(dps: float) -> tuple[float, float, float]:
            return (0.0, sign * dps, 0.0) if upward else (sign * dps, 0.0, 0.0)

        phases = [Phase("baseline", 15)]
        for k, key in enumerate(("valsalva nose", "valsalva glottis", "pressure right", "pressure left")):
            phases.append(Phase(key, 12, moved(pressed_dps if key == "pressure right" else 0.0)))
            phases.append(Phase(f"rest after {key}", 15, moved(wander_dps * (-1) ** k)))
        texts = fits("pressure_and_sound", *phases)
        assert any(t.startswith("Pressure right") for t in texts) is named

    def test_it_strays_across_though_torsion_is_not_read(self) -> None:
        phases = [Phase("baseline", 15)]
        for k, key in enumerate(("valsalva nose", "valsalva glottis", "pressure right", "pressure left")):
            phases.append(Phase(key, 12, (2.0 if key == "pressure right" else 0.0, 0, 0)))
            phases.append(Phase(f"rest after {key}", 15, ((-1.0) ** k, 0, 0)))
        made = Made(tuple(phases), procedure="pressure_and_sound", eyes=("right",), torsion_quality=0.0)
        texts = analyse_recording(make_recording(made), 1966).results[0].fits
        assert not any(t.startswith("Pressure right") for t in texts)

    def test_both_are_said_where_both_are_large(self) -> None:
        assert len(self.step("pressure left", 6.0, 8.0, 6.0)) == 2

    @pytest.mark.parametrize(
        ("torsion_dps", "said"),
        [(0.1, "without torsion: fits a malformation"), (0.9, "torsion uncertain: fits an anterior")],
    )
    def test_without_torsion_only_where_it_is_near_zero(self, torsion_dps: float, said: str) -> None:
        """0.9 deg/s are too slow to name an ear, but no zero beside 3 deg/s."""
        (text,) = self.step("valsalva nose", 0.0, 3.0, torsion_dps)
        assert said in text

    @pytest.mark.parametrize("torsion_dps", [1.2, -1.2])
    @pytest.mark.parametrize("up_dps", [20.0, -20.0])
    def test_what_leaks_onto_torsion_names_no_ear(self, up_dps: float, torsion_dps: float) -> None:
        """1.2 deg/s beside 20."""
        (text,) = self.step("valsalva nose", 0.0, up_dps, torsion_dps)
        assert "without torsion" in text
