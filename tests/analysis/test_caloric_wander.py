"""What the wander of an eye does to a culmination: strays of whole means, by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import t as student

from analysis.analyse import analyse_recording
from analysis.battery.caloric_findings import CULMINATION
from analysis.beats import Beat
from analysis.caloric_wander import wander_error
from analysis.estimate import Z_95
from tests.analysis.caloric import Caloric, irrigated
from tests.analysis.sawtooth import MadeRecording

NAN3 = (math.nan, math.nan, math.nan)
ACROSS = (2.0, 4.0, 6.0, 8.0, 10.0, 12.0)  # of the 10 s means
STRAYS = (0.5, -0.5, -0.5, 0.5, 0.5, -0.5)  # of the vertical ones about a line; see `test_by_hand`


def beats(strays: tuple[float, ...] = STRAYS, leak: float = 0.1, sign: float = 1.0) -> list[Beat]:
    """Ten beats in each of the 10 s: half a second of slow phase a second."""
    made = []
    for k, (across, stray) in enumerate(zip(ACROSS, strays, strict=True)):
        for j in range(10):
            s = 10.0 * k + j
            moved = (sign * across, 1.0 + sign * (leak * across + stray), 0.0)
            made.append(
                Beat(
                    "right", "horizontal", "right", s, s + 0.5, s + 0.5, s + 0.55, moved, NAN3, NAN3, True, ""
                )
            )
    return made


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("leak", [0.0, 0.1, -0.3])
def test_by_hand(sign: float, leak: float) -> None:
    """The strays have no mean, and their slope is (-2.5 + 1.5 + 0.5 + 0.5 + 1.5 - 2.5) / 35 = -1 / 35 a mean.

    Of 6 * 0.25 = 1.5 the line takes 17.5 / 35^2 = 1 / 70: 1.5 - 1 / 70 are left, of 4 degrees of freedom.
    """
    few = float(student.ppf(0.975, 4)) / Z_95
    expected = few * math.sqrt((1.5 - 1 / 70) / 4)
    assert wander_error(beats(leak=leak, sign=sign), (), 10.0, 3) == pytest.approx(expected)


def test_what_only_leaks_is_no_wander() -> None:
    assert wander_error(beats((0.0,) * 6, leak=0.4), (), 10.0, 3) == pytest.approx(0.0, abs=1e-9)


def test_the_light_and_what_is_not_accepted_do_not_count() -> None:
    """What strays wildly there changes nothing; with four means left nothing is told."""
    wild = [
        replace(b, slow_phase_velocity_dps=(9.0, 40.0, 0.0)) if b.slow_start_s >= 50 else b for b in beats()
    ]
    lit = wander_error(wild, [(50.0, 60.0)], 10.0, 3)
    refused = [replace(b, accepted=b.slow_start_s < 50) for b in wild]
    assert lit == pytest.approx(wander_error(refused, (), 10.0, 3))
    assert 0 < lit < 1
    assert wander_error(wild, [(40.0, 60.0)], 10.0, 3) == 0.0


def test_few_beats_tell_nothing() -> None:
    assert wander_error((), (), 10.0, 3) == 0.0
    assert wander_error(beats()[::5], (), 10.0, 3) == 0.0  # two in each 10 s


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_what_the_vertical_axis_wanders_is_in_the_interval(sign: float) -> None:
    """0.8 sin(2 pi t / 27 s): means over 10 s stray by 0.8 / sqrt(2) sinc(10 / 27) = 0.45 deg/s."""
    made = irrigated(
        Caloric(peak_dps=(sign * 25.0, 0, 0)), "caloric_right_warm", rate_hz=100.0, eyes=("right",)
    )
    still = _half_width(made)
    rows = made.samples["right"]
    rows["vertical_deg"] -= 0.8 * 27 / (2 * math.pi) * np.cos(2 * math.pi * rows["time_s"] / 27)
    wandering = _half_width(made)
    assert still < 0.3
    assert wandering == pytest.approx(Z_95 * 0.45, rel=0.4)


def _half_width(made: MadeRecording) -> float:
    result = analyse_recording(made).results[0]  # type: ignore[arg-type]
    peak = next(f for f in result.findings if (f.key, f.axis) == (CULMINATION, "horizontal"))
    assert peak.interval is not None
    return (peak.interval[1] - peak.interval[0]) / 2
