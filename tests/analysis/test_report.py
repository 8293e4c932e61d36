from __future__ import annotations

import numpy as np
import pytest

from analysis.analyse import analyse_recording
from analysis.configuration import capture_settings
from analysis.report import ReportContent, report_content
from analysis.report_side_tables import rounded, small
from recordings.info import software
from tests.analysis.sawtooth import Calibrated, Made, Phase, make_recording

BOTH = (Phase("dark", 30, (-8.0, 0, 0)), Phase("fixation", 12, (-2.4, 0, 0)))
DEFAULT = Calibrated(False, "default", "unproven", "No targets", None, None)


def content(*phases: Phase, **made: object) -> ReportContent:
    recording = make_recording(Made(phases or BOTH, **made))  # type: ignore[arg-type]
    return report_content(recording, analyse_recording(recording, 1966), clinic="Harbour Lane Balance Clinic")


@pytest.fixture(scope="module")
def report() -> ReportContent:
    return content()


def texts(report: ReportContent) -> str:
    tables = (report.summary, *report.main_tables, *report.side_tables)
    cells = [cell.text for table in tables for row in table.rows for cell in row]
    return " ".join((*report.conclusions, *report.fits, *cells, report.fixation))


class TestContent:
    def test_head(self, report: ReportContent) -> None:
        assert (report.patient_code, report.clinic) == ("HL-0007", "Harbour Lane Balance Clinic")
        assert report.recorded == "2026-11-25 13:40 UTC"
        assert "not a certified medical device" in report.statement

    def test_summary_row_says_what_how_much_and_whether_within_the_limit(self, report: ReportContent) -> None:
        row = [cell.text for cell in report.summary.rows[0]]
        assert row[:4] == ["dark", "right", "right-beating 8.0 deg/s", "2.0"]
        assert row[6] == "horizontal outside"
        assert report.summary.rows[0][6].style == "outside"

    def test_velocity_table_has_a_row_for_each_step_eye_and_axis(self, report: ReportContent) -> None:
        (table,) = report.main_tables
        assert len(table.rows) == 2 * 2 * 3
        first = [cell.text for cell in table.rows[0]]
        assert first[:5] == ["dark", "right", "horizontal", "right-beating", "−8.0"]
        assert first[-1] == "outside (up to 5.5)"
        assert all(len(row) == len(table.columns) for row in table.rows)

    def test_limit_names_its_source_and_who_approved_it(self, report: ReportContent) -> None:
        dark = next(text for text in report.limits if text.startswith("dark"))
        assert "doi 10.3233/VES-200022" in dark
        assert "nobody in this clinic yet" in dark
        assert "ages 18 to 120" in dark

    def test_contested_choices_and_settings_are_printed(self, report: ReportContent) -> None:
        assert any("4, 5 and 6 deg/s" in text for text in report.limits)
        assert any("Fixation index" in text for text in report.choices)
        assert "present_velocity_dps 1 ·" in report.settings["measures"]
        assert "dropped_s 5 ·" in report.settings["measures"]
        assert "blink_before_s 0.05 ·" in report.settings["trace"]
        assert "least_velocity_dps 0.5 ·" in report.settings["beats"]

    def test_settings_of_capture_are_those_of_the_program_that_recorded(self) -> None:
        mine = capture_settings(software())
        assert "range_deg" in mine["tracking"]
        assert "stretched 0.9" in mine["frames"]
        assert "good_deg 0.5 1 ·" in mine["calibration"]
        assert capture_settings("driftbeat 9.9") == {"tracking and calibration": "as fixed in driftbeat 9.9"}

    def test_unknown_day_of_the_test_is_said_where_age_matters(self, report: ReportContent) -> None:
        assert any("day of the test not known" in text for text in report.cautions)

    def test_fixation_sentence(self, report: ReportContent) -> None:
        assert report.fixation.startswith(
            "right eye horizontal: index 0.30 ± <0.01 (suppression 70 %), reduction 5.6 ± <0.1 deg/s"
        )


class TestBanners:
    def test_clean_recording_has_none(self) -> None:
        assert content(training=False).banners == ()

    def test_each_state_has_its_own(self) -> None:
        shown = content(complete=False, times="nominal", calibration=DEFAULT).banners
        starts = ("Recording incomplete", "Training", "Uncalibrated", "Direction not proven", "Frame rate")
        assert [text.startswith(start) for text, start in zip(shown, starts, strict=True)] == [True] * 5

    def test_uncalibrated_numbers_look_different(self) -> None:
        shown = content(calibration=DEFAULT)
        cell = shown.main_tables[0].rows[0][4]
        assert (cell.text, cell.style) == ("[8.0] uncalibrated", "unproven")
        assert shown.curves.marks[0] == "uncalibrated"

    def test_unproven_direction_leaves_no_word_of_direction(self) -> None:
        shown = content(calibration=Calibrated(direction="unproven"))
        assert not any(word in texts(shown) for word in ("-beating", "upper pole"))
        assert "−" not in "".join(cell.text for row in shown.main_tables[0].rows for cell in row)
        assert "not proven" in shown.sign_rule
        assert not shown.curves.direction_proven


class TestCurves:
    def test_excerpts_show_the_dark_and_the_fixation(self, report: ReportContent) -> None:
        dark, lit = report.curves.excerpts
        assert (dark.step, lit.step) == ("dark", "fixation")
        assert dark.end_s - dark.start_s == pytest.approx(10.0)
        assert lit.end_s - lit.start_s == pytest.approx(5.0)
        assert [(s.axis, s.eye) for s in dark.strips][:2] == [("horizontal", "right"), ("horizontal", "left")]

    def test_marks_stand_where_beats_are(self, report: ReportContent) -> None:
        """Right-beating at 2 /s: about 20 beats in 10 s, all to the right, none on the vertical axis."""
        horizontal, vertical = report.curves.excerpts[0].strips[0], report.curves.excerpts[0].strips[2]
        assert 18 <= len(horizontal.beats) <= 20
        assert {beat.side for beat in horizontal.beats} == {1}
        assert {beat.side for beat in vertical.beats} == {0}
        assert all(beat.slow_deg[1] < beat.slow_deg[0] for beat in horizontal.beats)

    def test_torsion_that_cannot_be_read_is_not_drawn(self) -> None:
        assert "torsional" in {s.axis for s in content().curves.excerpts[0].strips}
        poor = content(torsion_quality=0.1)
        assert {s.axis for s in poor.curves.excerpts[0].strips} == {"horizontal", "vertical"}

    def test_gaps_stay_empty(self) -> None:
        recording = make_recording(Made(BOTH, eyes=("right",)))
        samples = recording.samples["right"].copy()
        gap = (samples["time_s"] > 12) & (samples["time_s"] < 12.4)
        samples["x_px"][gap] = np.nan
        samples["horizontal_deg"][gap] = np.nan
        recording.samples["right"] = samples
        curves = report_content(recording, analyse_recording(recording, 1966)).curves
        strip = curves.excerpts[0].strips[0]
        inside = (strip.time_s > 12) & (strip.time_s < 12.4)
        if inside.any():
            assert np.isnan(strip.position_deg[inside]).all()
        assert not any(12.05 < p.time_s < 12.35 and p.accepted for p in curves.velocity[0].points)

    def test_velocity_points_carry_the_limit_of_their_step(self, report: ReportContent) -> None:
        horizontal = report.curves.velocity[0]
        assert horizontal.limits == (("dark", 5.5), ("fixation", 1.0))
        accepted = [p.velocity_dps for p in horizontal.points if p.accepted and 9 < p.time_s < 32]
        assert np.median(accepted) == pytest.approx(-8.0, abs=0.1)


def test_numbers_never_lose_their_meaning_by_rounding() -> None:
    assert (rounded(-0.04, 1), rounded(-0.06, 1), rounded(2.55, 0)) == ("0.0", "−0.1", "3")
    assert (small(0.004, 1), small(0.14, 1), small(0.0, 2)) == ("<0.1", "0.1", "<0.01")
