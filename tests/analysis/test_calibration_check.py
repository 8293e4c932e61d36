"""The calibration and direction check: gaze held against targets of 10 deg whose eye is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.analyse import analyse_recording
from analysis.battery.calibration import CALIBRATION
from analysis.finding import Finding
from analysis.procedure import Result
from analysis.report import report_content
from capture.samples import Eye
from capture.simulation.drawing import STEADY
from capture.simulation.traces import Seeing, Slipped
from tests.analysis.led_patient import Led, lead
from ui.text_report import report_text

STILL = (0.02, 0.02, 0.02)
LENGTHS = dict.fromkeys((step.key for step in CALIBRATION.steps), 4.0)  # steps begin at 3, 7, 11 ... s


def led(**seeing: object) -> Led:
    how: dict[Eye, Seeing] = {"right": replace(Seeing(rate_hz=100.0, noise_deg=STILL), **seeing)}  # type: ignore[arg-type]
    return lead(CALIBRATION, STEADY, 2, how, LENGTHS)


def value(result: Result, key: str, step: str = "") -> float | None:
    return found(result, key, step).value


def found(result: Result, key: str, step: str = "") -> Finding:
    return next(f for f in result.findings if (f.key, f.step) == (key, step))


def said(result: Result) -> str:
    return " ".join(result.conclusions)


def test_an_eye_that_points_where_it_looks() -> None:
    """Fixation saccades of a tenth of a degree are all that keeps it from its target."""
    result = led().result()
    assert value(result, "mean_target_error") == pytest.approx(0.15, abs=0.15)
    assert value(result, "gain_difference") == pytest.approx(0.0, abs=4.0)
    assert value(result, "centre_moved") == pytest.approx(0.0, abs=0.4)
    assert "Right eye: good" in said(result)
    assert "right is right, up is up" in said(result)
    assert "slipped" not in said(result)


def test_a_gain_that_is_too_large() -> None:
    """15 % of 10 deg at two of the six targets: 1.5 deg at worst, 0.5 deg on average."""
    result = led(gain=(1.15, 1.0, 1.0)).result()
    assert value(result, "target_error", "look right") == pytest.approx(1.5, abs=0.3)
    assert value(result, "target_error", "look up") == pytest.approx(0.0, abs=0.35)
    assert value(result, "worst_target_error") == pytest.approx(1.5, abs=0.3)
    assert "Right eye: usable" in said(result)


def test_a_mirrored_picture() -> None:
    result = led(gain=(-1.0, 1.0, 1.0)).result()
    assert "right comes out as its opposite, up is up" in said(result)
    assert "Right eye: too far off for degrees" in said(result)
    assert value(result, "target_error", "look left") == pytest.approx(20.0, abs=0.5)


def test_goggles_that_slipped_between_the_two_looks_at_the_centre() -> None:
    result = led(slip=Slipped(12.0, (1.5, 2.0, 0.0))).result()
    assert value(result, "centre_moved") == pytest.approx(2.5, abs=0.4)
    assert "the goggles may have slipped" in said(result)


def test_gains_that_differ_between_right_and_left() -> None:
    """12 deg to the right and 8 deg to the left for 10: 100 (12 - 8) / 10 = 40 %."""
    made = led()
    rows = made.recording.samples["right"]
    across = rows["horizontal_deg"]
    rows["horizontal_deg"] = np.where(across > 0, 1.2 * across, 0.8 * across)
    result = made.result()
    assert value(result, "gain_difference") == pytest.approx(40.0, abs=4.0)
    assert "differ by" in said(result)


@pytest.mark.parametrize(("rolled_deg", "sign"), [(-5.0, "the right"), (5.0, "the wrong")])
def test_the_sign_of_torsion_with_the_head_tilted(rolled_deg: float, sign: str) -> None:
    """The eyes roll against the head: with the right shoulder lower the upper pole goes to the left."""
    made = led()
    rows = made.recording.samples["right"]
    rows["torsional_deg"][rows["time_s"] > 27.0] += rolled_deg
    result = made.result()
    assert value(result, "torsion_on_tilt") == pytest.approx(rolled_deg, abs=0.2)
    assert f"torsion has {sign} sign" in said(result)


def test_an_eye_that_is_shut_or_does_not_hold_still() -> None:
    made = led()
    rows = made.recording.samples["right"]
    shut = (rows["time_s"] > 7.0) & (rows["time_s"] < 11.0)
    for name in ("x_px", "horizontal_deg", "vertical_deg", "torsional_deg"):
        rows[name][shut] = np.nan
    moving = (rows["time_s"] > 15.0) & (rows["time_s"] < 19.0)
    rows["vertical_deg"][moving] += 2 * np.sin(2 * np.pi * rows["time_s"][moving])
    result = made.result()
    assert found(result, "target_error", "look right").reason == "the eye was not seen long enough"
    assert found(result, "target_error", "look up").reason.startswith("gaze was not held (spread")
    assert found(result, "gain_difference").reason == "look right: the eye was not seen long enough"
    assert value(result, "mean_target_error") is not None
    assert "whether right is right is not known" in said(result)


def test_an_eye_without_samples() -> None:
    made = led()
    none = {eye: rows[:0] for eye, rows in made.recording.samples.items()}
    result = Led(replace(made.recording, samples=none, events=()), made.patient).result()
    for eye in made.recording.samples:
        found = [f for f in result.findings if f.eye == eye]
        assert found
        assert all(f.value is None and f.reason for f in found)


def test_too_few_targets() -> None:
    made = led()
    kept = tuple(e for e in made.recording.events if e.text in ("look right", "look left"))
    result = Led(replace(made.recording, events=kept), made.patient).result()
    assert found(result, "mean_target_error").reason == "2 targets were held, 3 needed"
    assert found(result, "centre_moved").reason == "look straight ahead: step not recorded"
    assert found(result, "torsion_on_tilt").reason == "look straight ahead again: step not recorded"
    assert "not assessed" in said(result)


def test_it_can_be_printed() -> None:
    recording = led().recording
    text = report_text(report_content(recording, analyse_recording(recording)))  # type: ignore[arg-type]
    assert "distance from the target" in text
    assert "Calibration and direction check" in text


def test_an_eye_that_never_moves_turns_nowhere() -> None:
    """Neither a direction nor a gain can be told of it."""
    made = led(gain=(0.0, 0.0, 0.0), noise_deg=(0.001, 0.001, 0.001))
    result = made.result()
    assert "whether right is right is not known (the eye hardly turned)" in said(result)
    assert "whether up is up is not known (the eye hardly turned)" in said(result)
    gain = found(result, "gain_difference")
    assert (gain.value, gain.reason) == (None, "the eye hardly turned")
