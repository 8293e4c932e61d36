from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from analysis.analyse import analyse_recording
from analysis.report import report_content
from analysis.report_curves import Curves
from recordings.event import Event
from tests.analysis.sawtooth import Calibrated, Made, Phase, make_recording
from ui.drawing import INK, SOFT, Drawing
from ui.plots import COLOURS, Pane, ticks, trace_picture, velocity_picture

SVG = "{http://www.w3.org/2000/svg}"


def curves(*phases: Phase, **made: object) -> Curves:
    recording = make_recording(Made(phases, **made))  # type: ignore[arg-type]
    return report_content(recording, analyse_recording(recording, 1966)).curves


def parts(drawing: Drawing) -> ElementTree.Element:
    return ElementTree.fromstring(drawing.svg())


def words(drawing: Drawing) -> Counter[str]:
    return Counter(element.text or "" for element in parts(drawing).iter(f"{SVG}text"))


@pytest.fixture(scope="module")
def shown() -> Curves:
    return curves(Phase("dark", 25, (-8.0, 0, 0)), Phase("fixation", 12, (-2.4, 0, 0)))


def test_every_eye_axis_and_side_is_named_in_words(shown: Curves) -> None:
    found = words(trace_picture(shown))
    assert found["right eye"] == found["left eye"] == 3
    assert found["horizontal"] == found["vertical"] == found["torsional"] == 2
    assert found["right"] == found["left"] == found["up"] == found["down"] == 2
    assert found["deg"] == 1


def test_each_beat_has_one_mark_on_the_side_of_its_quick_phase(shown: Curves) -> None:
    drawing = trace_picture(shown)
    marks = list(parts(drawing).iter(f"{SVG}polygon"))
    beats = sum(b.side != 0 for excerpt in shown.excerpts for strip in excerpt.strips for b in strip.beats)
    assert len(marks) == beats > 30
    for mark in marks:  # right-beating is up: the tip is above the base
        tip, *base = [float(point.split(",")[1]) for point in mark.attrib["points"].split()]
        assert all(tip < y for y in base)


def test_all_is_inside_the_picture(shown: Curves) -> None:
    for drawing in (trace_picture(shown), velocity_picture(shown)):
        for element in parts(drawing).iter():
            for name, size in (("x", drawing.width_mm), ("y", drawing.height_mm), ("cx", drawing.width_mm)):
                if name in element.attrib:
                    assert -0.5 <= float(element.attrib[name]) <= size + 0.5


def test_no_direction_is_named_where_it_is_not_proven() -> None:
    shown = curves(Phase("dark", 20, (-8.0, 0, 0)), calibration=Calibrated(direction="unproven"))
    for drawing in (trace_picture(shown), velocity_picture(shown)):
        found = words(drawing)
        assert not {"right", "left", "up", "down"} & set(found)


def test_uncalibrated_is_written_on_the_axis() -> None:
    shown = curves(Phase("dark", 20, (-8.0, 0, 0)), calibration=Calibrated(calibrated=False))
    assert words(trace_picture(shown))["deg, uncalibrated"] == 1
    assert words(velocity_picture(shown))["deg/s, uncalibrated"] == 1


def test_a_frame_rate_that_is_not_proven_is_written_on_the_axis_of_velocity() -> None:
    shown = curves(Phase("dark", 20, (-8.0, 0, 0)), times="nominal")
    assert words(velocity_picture(shown))["deg/s, frame rate not proven"] == 1
    assert words(trace_picture(shown))["deg"] == 1


def test_no_axis_goes_beyond_the_recording() -> None:
    """20 s of dark after 3 s of targets; the next step is stated for later, another goes on too long."""
    made = make_recording(Made((Phase("dark", 20, (-8.0, 0, 0)),)))
    later = (Event(3.0, 500.0, "step", "dark"), Event(600.0, 620.0, "step", "fixation"))
    recording = replace(made, events=later)
    shown = report_content(recording, analyse_recording(recording, 1966))  # type: ignore[arg-type]
    for drawing in (trace_picture(shown.curves), velocity_picture(shown.curves)):
        seconds = [float(word) for word in words(drawing) if re.fullmatch(r"[0-9.]+", word)]
        assert max(seconds) <= 23
    assert any(text.startswith("fixation 600.0 to 620.0 s: step lies outside") for text in shown.steps)
    dark = next(text for text in shown.steps if text.startswith("dark 3.0 to 23.0 s"))
    assert "first 5 s dropped: the light changed" in dark
    assert dark.endswith("cut to the recording")
    outside = [row for row in shown.summary.rows if row[0].text == "fixation"]
    assert {row[2].text for row in outside} == {"not assessed: step lies outside the recording"}
    assert "fixation: step lies outside the recording" in shown.fixation


def test_no_step_inside_the_recording_still_shows_what_was_recorded() -> None:
    made = make_recording(Made((Phase("dark", 20, (-8.0, 0, 0)),)))
    recording = replace(made, events=(Event(600.0, 620.0, "step", "dark"),))
    shown = report_content(recording, analyse_recording(recording, 1966)).curves  # type: ignore[arg-type]
    assert words(velocity_picture(shown))["no step in the recording"] == 1


def test_velocity_has_a_round_point_for_each_right_and_a_square_for_each_left_beat(shown: Curves) -> None:
    tree = parts(velocity_picture(shown))
    points = [p for curve in shown.velocity for p in curve.points if 3 <= p.time_s <= 40]
    assert len(list(tree.iter(f"{SVG}circle"))) == sum(p.eye == "right" for p in points)
    assert len(list(tree.iter(f"{SVG}polygon"))) == sum(p.eye == "left" for p in points)


def test_a_gap_breaks_the_curve() -> None:
    drawing = Drawing(10, 10)
    drawing.curve(np.array([0.0, 1, 2, 3, 4]), np.array([1.0, 1, np.nan, 2, 2]), "#000")
    assert drawing.parts[0].count("M") == 2


def test_text_is_escaped() -> None:
    drawing = Drawing(10, 10)
    drawing.text(1, 1, '<b>&"')
    assert words(drawing) == Counter({'<b>&"': 1})


def test_pane_puts_positive_up() -> None:
    pane = Pane(10, 5, 100, 20, 0, 10, -4, 4)
    assert (pane.x(5), pane.y(4), pane.y(-4), pane.y(0)) == (60, 5, 25, 15)


@pytest.mark.parametrize(
    ("low", "high", "about", "wanted"),
    [(-4.2, 4.2, 3, [-4, -2, 0, 2, 4]), (0, 10, 5, [2, 4, 6, 8]), (-0.6, 0.6, 3, [-0.5, 0, 0.5])],
)
def test_ticks_are_round(low: float, high: float, about: int, wanted: list[float]) -> None:
    assert ticks(low, high, about) == pytest.approx(wanted)


def luminance(colour: str) -> float:
    """Relative luminance of "#rrggbb" (WCAG 2.1)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


@pytest.mark.parametrize("colour", [INK, SOFT, *COLOURS.values()])
def test_words_and_curves_stand_out_from_the_paper(colour: str) -> None:
    """Contrast of at least 4.5 : 1 (WCAG 2.1 AA) on the pale ground of a pane."""
    assert (luminance("#f6f7f8") + 0.05) / (luminance(colour) + 0.05) >= 4.5


@pytest.mark.parametrize(("gaze_deg", "calibrated"), [(20.0, True), (20.0, False), (0.0, True)])
def test_in_oblique_gaze_what_listings_law_alone_gives_stands_beside_the_torsion(gaze_deg, calibrated):
    recording = make_recording(Made((Phase("dark", 12, (0, 0, -6.0)),), calibration=Calibrated(calibrated)))
    for rows in recording.samples.values():
        rows["horizontal_deg"] += gaze_deg
        rows["vertical_deg"] += gaze_deg
    found = report_content(recording, analyse_recording(recording, 1966)).curves
    texts = [text for text in words(trace_picture(found)) if text.startswith("Listing")]
    torsional = [strip for strip in found.excerpts[0].strips if strip.axis == "torsional"]
    assert torsional
    for strip in torsional:
        if gaze_deg and calibrated:  # clinical.md 4: 3.56 deg at 20/20
            assert strip.listing_deg is not None
            assert np.nanmedian(strip.listing_deg) == pytest.approx(3.56, abs=0.01)
            assert texts
        else:
            assert strip.listing_deg is None
            assert not texts
