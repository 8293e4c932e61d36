"""Words for nystagmus that a stimulus provokes and that is not the same all along."""

from __future__ import annotations

from typing import Literal

import pytest

from analysis.analyse import analyse_recording
from tests.analysis.paroxysm import Course, Position, positional
from tests.analysis.sawtooth import Calibrated


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
