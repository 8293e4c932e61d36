"""Words for nystagmus that shaking the head leaves behind and that fades within the minute."""

from __future__ import annotations

import pytest

from analysis.analyse import analyse_recording
from tests.analysis.paroxysm import Course, Position, positional
from tests.analysis.sawtooth import Calibrated


@pytest.mark.parametrize(
    ("sign", "direction", "said"),
    [(-1, "proven", "right-beating"), (1, "proven", "left-beating"), (1, "unproven", "horizontal nystagmus")],
)
def test_what_fades_is_not_said_to_be_no_nystagmus(sign: int, direction: str, said: str) -> None:
    """20 deg/s that fade with 3 s scatter over the minute by more than their median tells."""
    course = Course((20.0 * sign, 0.0, 0.0), latency_s=0.0, rise_s=0.5, tau_s=3.0)
    made = positional(
        Position("baseline", 20, reached_after_s=None),
        Position("head shaking", 12, reached_after_s=None),
        Position("after head shaking", 60, course, reached_after_s=None),
        procedure="head_shake",
        calibration=Calibrated(direction=direction),
    )
    texts = analyse_recording(made, 1966).results[0].conclusions
    (text,) = (text for text in texts if text.startswith("After head shaking"))
    assert f"right eye {said}" in text
