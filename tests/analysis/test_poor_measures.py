"""What a recording does not tell is not assessed, with the reason; nothing comes to a stop by it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.analyse import analyse_recording
from analysis.battery.caloric_summary import summarise
from analysis.estimate import Estimate
from analysis.finding import Finding
from analysis.positional_responses import Response
from analysis.procedure import Result
from tests.analysis.caloric import Caloric, irrigated
from tests.analysis.paroxysm import Course, Position, positional
from tests.analysis.sawtooth import Made, MadeRecording, Phase, make_recording

BORN = 1966


def found(result: Result, key: str, axis: str | None, eye: str = "right") -> Finding:
    return next(f for f in result.findings if (f.key, f.axis, f.eye) == (key, axis, eye))


def irrigation(key: str, peak_dps: float, before_dps: float, **more: float) -> Result:
    """Slow phases: those of the response at its peak, and those of the nystagmus under it."""
    response = Caloric(peak_dps=(peak_dps, 0, 0), constant_dps=(before_dps, 0, 0), **more)
    made = irrigated(response, key, rate_hz=50.0, eyes=("right",))
    return analyse_recording(made, BORN).results[0]  # type: ignore[arg-type]


def test_the_null_point_of_an_eye_that_was_never_seen() -> None:
    """3 deg/s at 10 deg right and -3 at 20: 15 deg by the right eye."""
    phases = (Phase("10 degrees right", 20, (3.0, 0, 0)), Phase("20 degrees right", 20, (-3.0, 0, 0)))
    made = make_recording(Made(phases, procedure="null_point"))
    blind = made.samples["left"].copy()
    for name in ("x_px", "y_px", "horizontal_deg", "vertical_deg", "torsional_deg"):
        blind[name] = np.nan
    blind["pupil_quality"] = 0.0
    made = replace(made, samples={**made.samples, "left": blind})
    shown = analyse_recording(made, BORN).results[0]  # type: ignore[arg-type]
    assert found(shown, "null_angle", "horizontal").value == pytest.approx(15.0, abs=0.5)
    assert (
        found(shown, "null_angle", "horizontal", "left").reason == "velocity known at fewer than two angles"
    )


@pytest.mark.parametrize(("before_dps", "told"), [(-2.0, True), (-5.0, False), (5.0, False)])
def test_warm_asymmetry_over_a_nystagmus(before_dps: float, told: bool) -> None:
    """Both ears alike, 20 deg/s: from 4 deg/s before on it is the nystagmus that makes them uneven."""
    pair = [irrigation(f"caloric_{ear}_warm", dps, before_dps) for ear, dps in (("right", -20), ("left", 20))]
    whole = summarise(pair)
    warm = found(whole, "monothermal_asymmetry", None)
    if told:
        assert warm.value == pytest.approx(100 * (22 - 18) / 40, abs=1.0)
    else:
        assert warm.value is None
        assert "5.0 deg/s before the right warm irrigation" in warm.reason
    said = "may be left out" if told else "do not suffice: go on with the cool ones (needed: below 15 %"
    assert any(said in text for text in whole.conclusions)


@pytest.mark.parametrize(("closed", "told"), [(0.3, True), (0.8, False)])
def test_a_culmination_behind_closed_lids(closed: float, told: bool) -> None:
    """20 deg/s at 60 s; from 30 s to the light at 85 s the lids are closed for a share of every 3 s."""
    made = irrigated(Caloric(peak_dps=(-20.0, 0, 0)), "caloric_right_warm", rate_hz=50.0, eyes=("right",))
    started_s = next(e.start_s for e in made.events if e.text == "right warm irrigation")
    since = made.samples["right"]["time_s"] - started_s
    hidden = (since > 30) & (since < 85) & (np.mod(since, 3.0) < 3.0 * closed)
    for name in ("x_px", "y_px", "horizontal_deg", "vertical_deg", "torsional_deg"):
        made.samples["right"][name][hidden] = np.nan
    peak = found(analyse_recording(made, BORN).results[0], "culmination_velocity", "horizontal")  # type: ignore[arg-type]
    if told:
        assert peak.value == pytest.approx(-20.0, abs=0.6)
    else:
        assert "of the 55 s in which the culmination is sought" in peak.reason


def test_four_irrigations_ask_for_no_cool_ones() -> None:
    """Of no response to any of the four no percentage is made; the cool ones were done."""
    keys = [f"caloric_{ear}_{kind}" for kind in ("warm", "cool") for ear in ("right", "left")]
    whole = summarise([irrigation(key, 0.0, -9.0) for key in keys])
    assert found(whole, "unilateral_weakness", None).value is None
    assert not any("go on with the cool ones" in text for text in whole.conclusions)


def test_when_a_response_began_that_is_hardly_there() -> None:
    """Of 1.5 deg/s only the summit is above 1: its rise cannot be told, nor how long it lasted."""
    weak = irrigation("caloric_right_warm", -1.5, 0.0, beats_hz=0.5)
    for key in ("latency", "duration"):
        assert "when it began is not known" in found(weak, key, "horizontal").reason
    clear = irrigation("caloric_right_warm", -15.0, 0.0)
    assert found(clear, "latency", "horizontal").interval is not None


def shut(made: MadeRecording, from_s: float, to_s: float, step: str) -> MadeRecording:
    """The lids are closed between two times since the position of a step was reached."""
    (reached_s,) = (e.start_s for e in made.events if (e.kind, e.text) == ("reached", step))
    for rows in made.samples.values():
        hidden = (rows["time_s"] > reached_s + from_s) & (rows["time_s"] < reached_s + to_s)
        for name in ("x_px", "y_px", "horizontal_deg", "vertical_deg", "torsional_deg"):
            rows[name][hidden] = np.nan
    return made


@pytest.mark.parametrize(
    ("lids_s", "hidden"), [((1.0, 8.0), True), ((4.0, 6.5), True), ((11.0, 13.0), False)]
)
def test_lids_shut_at_the_beginning_or_the_peak(lids_s: tuple[float, float], hidden: bool) -> None:
    """It begins at 3 s and peaks at 5, 40 deg/s up, upper pole to the right; what is left is neither."""
    course = Course((8.0, -40.0, -36.0), latency_s=3.0, rise_s=2.0, tau_s=4.0)
    still = Position("baseline", 20, reached_after_s=None)
    made = positional(still, Position("right ear down", 40, course), eyes=("right", "left"))
    shown = analyse_recording(shut(made, *lids_s, "right ear down"), BORN).results[0]  # type: ignore[arg-type]
    peak = found(shown, "peak_slow_phase_velocity", "vertical")
    assert (peak.present, peak.direction) == (True, "up")
    if hidden:
        assert "not seen for" in peak.reason
        assert "it may have been faster" in peak.reason
        assert any("up-beating, how fast not assessed" in text for text in shown.conclusions)
    else:
        assert peak.value == pytest.approx(-40.0, abs=2.0)
    late = found(shown, "latency", "vertical")
    if lids_s[0] < 3.0:
        assert "before the first beats" in late.reason
    assert any("right posterior canal" in text for text in shown.fits)


@pytest.mark.parametrize(("ear", "other"), [("right", "left"), ("left", "right")])
@pytest.mark.parametrize(("lids_s", "named"), [((0.0, 8.0), False), ((0.0, 0.3), True)])
def test_the_faster_side_is_not_named_where_lids_hid_its_peak(
    lids_s: tuple[float, float], named: bool, ear: str, other: str
) -> None:
    """60 deg/s with this ear down, 30 with the other: behind 8 s of lids this side shows 22."""
    side = 1 if ear == "right" else -1
    speeds = {ear: -60.0 * side, other: 30.0 * side}
    courses = {e: Course((dps, 0, 0), 0.5, 1.0, 7.0) for e, dps in speeds.items()}
    made = positional(
        Position("baseline", 20, reached_after_s=None),
        Position("roll to the right", 45, courses["right"]),
        Position("centre after right", 12),
        Position("roll to the left", 45, courses["left"]),
        procedure="supine_roll",
        eyes=("right", "left"),
    )
    shown = analyse_recording(shut(made, *lids_s, f"roll to the {ear}"), BORN).results[0]  # type: ignore[arg-type]
    said = " ".join(shown.fits)
    assert (f"fits {ear} horizontal canal" in said) is named
    assert f"{other} horizontal canal" not in said
    assert named or "The eye was not seen beside the peak of a side" in said


@pytest.mark.parametrize(("interval", "told"), [((-80.0, 260.0), False), ((30.0, 50.0), True)])
def test_a_peak_beside_the_main_axis_whose_sign_is_not_known(
    interval: tuple[float, float], told: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three beats of another axis may scatter to 40 deg/s: that is no nystagmus across, and to no side."""
    peak = Response.peak
    wide = Estimate(40.0, 20.0, interval)
    monkeypatch.setattr(Response, "peak", lambda self, axis: peak(self, axis) if axis else wide)
    beside = Course((8.0, -40.0, -36.0), latency_s=3.0)
    made = positional(Position("baseline", 20, reached_after_s=None), Position("right ear down", 40, beside))
    shown = analyse_recording(made, BORN).results[0]  # type: ignore[arg-type]
    across = found(shown, "peak_slow_phase_velocity", "horizontal")
    assert (across.value, across.direction) == ((40.0, "left") if told else (None, ""))
    assert any("left-beating 40 deg/s" in text for text in shown.conclusions) is told
    assert told or any("horizontal part not assessed" in text for text in shown.conclusions)
