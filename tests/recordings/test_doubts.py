"""Doubts about a whole recording, from its info and samples alone."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from analysis.analyse import analyse_recording
from analysis.report import report_content
from capture.samples import SAMPLE_DTYPE
from recordings.doubts import doubts
from tests.analysis.sawtooth import Made, Phase, make_recording

IDENTITY = "Which eye is which was not proven by covering one eye: right and left are as stated."


def made(seen: float = 1.0, *, header_hz: float = 100.0, identity: str = "proven", **info: Any) -> Any:
    """200 frames at 100 frames/s of a right eye."""
    rows = np.zeros(200, SAMPLE_DTYPE)
    rows["time_s"] = np.arange(200) / 100.0
    rows["x_px"][round(200 * seen) :] = np.nan
    stream = SimpleNamespace(frames=200, lost=0, repeated=0, times="measured", nominal_rate_hz=header_hz)
    said = {"training": False, "eye_identity": identity, "eyes": {"right": stream}, **info}
    return SimpleNamespace(info=SimpleNamespace(**said), samples={"right": rows})


def test_nothing_is_doubted_without_reason() -> None:
    assert doubts(made()) == ()
    assert doubts(made(0.5)) == ()


def test_an_eye_that_is_hardly_seen_is_doubted() -> None:
    (text,) = doubts(made(0.49))
    assert text.startswith("A pupil was seen in only 49% of the frames of the right eye")


@pytest.mark.parametrize(("header_hz", "told"), [(101.5, True), (98.5, True), (100.9, False), (0.0, False)])
def test_a_header_that_is_off_by_more_than_a_hundredth_is_told(header_hz: float, told: bool) -> None:
    assert bool(doubts(made(header_hz=header_hz))) == told


def test_an_eye_that_no_cover_proved_is_doubted_in_recording_and_report() -> None:
    assert doubts(made(identity="unproven")) == (IDENTITY,)
    assert doubts(made(identity="unproven", training=True)) == ()
    recording: Any = make_recording(Made((Phase("dark", 12.0),), training=False))
    assert IDENTITY in report_content(recording, analyse_recording(recording, None)).cautions
