"""Which seconds of a step a measure is taken from, on velocities that change within the step."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.analyse import analyse_recording
from recordings.event import Event
from tests.analysis.sawtooth import Made, MadeRecording, Phase, make_recording

STARTS_S = 3.0  # behind the targets


def one_step(procedure: str, key: str, *phases: Phase) -> MadeRecording:
    """All phases within one step."""
    made = make_recording(Made(phases, procedure=procedure))
    whole_s = sum(phase.seconds for phase in phases)
    return replace(made, events=(Event(STARTS_S, STARTS_S + whole_s, "step", key),))


def values(recording: MadeRecording, step: str) -> dict[str, float | None]:
    findings = analyse_recording(recording, 1960).results[0].findings  # type: ignore[arg-type]
    return {f.key: f.value for f in findings if (f.step, f.eye, f.axis) == (step, "right", "horizontal")}


def test_a_gaze_is_compared_at_its_two_ends() -> None:
    """10 deg/s back to the centre in the first third, 6 in the second, 3 in the last."""
    step = "gaze right"
    phases = [Phase(str(k), 10, (dps, 0, 0)) for k, dps in enumerate((-10.0, -6.0, -3.0))]
    found = values(one_step("gaze_holding", step, *phases), step)
    assert found["velocity_first_5_s"] == pytest.approx(-10.0, abs=0.3)
    assert found["velocity_last_5_s"] == pytest.approx(-3.0, abs=0.3)


@pytest.mark.parametrize(
    ("key", "way"), [("field to the right 40 deg/s", 1), ("field to the left 40 deg/s", -1)]
)
def test_the_first_3_s_of_a_field_do_not_count(key: str, way: int) -> None:
    """It builds up to 30 deg/s of 40 and falls off in the end: 2.5 s at 4, 4 at 30, 2.5 at 20."""
    phases = [
        Phase(str(k), s, (way * dps, 0, 0), 0.2) for k, (s, dps) in enumerate(((2.5, 4), (4, 30), (2.5, 20)))
    ]
    recording = one_step("optokinetic", key, *phases)
    (window,) = analyse_recording(recording, 1960).results[0].windows  # type: ignore[arg-type]
    assert (window.start_s, window.used_from_s, window.end_s) == pytest.approx((3.0, 6.0, 12.0))
    assert values(recording, key)["optokinetic_gain"] == pytest.approx(0.75, abs=0.02)
