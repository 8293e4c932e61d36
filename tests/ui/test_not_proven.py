"""What a recording does not prove must neither read as normal nor as certain, in whatever it is printed."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.analyse import analyse_recording
from analysis.finding import Finding
from analysis.report import ReportContent, report_content
from analysis.report_data import result_as_data
from analysis.report_tables import between
from recordings.sealed import open_recording
from tests.analysis.sawtooth import Calibrated, Made, MadeRecording, Phase, make_recording
from tests.recordings.making import sealed
from ui.commands.export import write_export
from ui.text_report import report_text

BOTH = (Phase("dark", 30, (-8.0, 0, 0)), Phase("fixation", 12, (-2.4, 0, 0)))
DEFAULT = Calibrated(False, "default", "unproven", "No targets", None, None, None, None)
CONTRADICTED = Calibrated(direction="contradicted")


def content(recording: MadeRecording) -> ReportContent:
    return report_content(recording, analyse_recording(recording, 1966))  # type: ignore[arg-type]


def printed(recording: MadeRecording) -> str:
    """The whole text with single spaces, whatever breaks its lines."""
    return " ".join(report_text(content(recording)).split())


def data(recording: MadeRecording) -> dict:
    result = analyse_recording(recording, 1966)  # type: ignore[arg-type]
    return json.loads(json.dumps(result_as_data(recording, result), allow_nan=False))  # type: ignore[arg-type]


def made(*phases: Phase, **about: object) -> MadeRecording:
    return make_recording(Made(phases or BOTH, **about))  # type: ignore[arg-type]


def cut(recording: MadeRecording, frames: int) -> MadeRecording:
    """The first frames alone, as their source would count them."""
    stream = next(iter(recording.info.eyes.values()))
    stream.frames, stream.measured_rate_hz = frames, float("nan") if frames < 2 else stream.measured_rate_hz
    samples = {eye: rows[:frames] for eye, rows in recording.samples.items()}
    return replace(recording, samples=samples, events=(), targets=())


class TestSeal:
    UNSEALED = "Not verified: no seal; it may have been changed since it was recorded"

    def test_banner_in_text_and_data(self) -> None:
        recording = made(verified=False)
        assert self.UNSEALED in printed(recording)
        assert data(recording)["verified"] is False
        assert data(recording)["banners"][0].startswith(self.UNSEALED)

    def test_meets_no_limit(self) -> None:
        (shown,) = data(made(verified=False))["procedures"]
        assert {f["verdict"] for f in shown["findings"]} == {"none"}
        assert {f["verdict"] for f in data(made())["procedures"][0]["findings"]} > {"outside"}

    def test_red_flags_are_not_lost_with_the_seal(self) -> None:
        assert content(made(Phase("dark", 20, (0, 9.0, 0)), verified=False)).red_flags


def test_a_recording_of_nobody_says_so() -> None:
    assert printed(made(patient_code="")).startswith("Spontaneous nystagmus: no patient code, recorded 2026")
    assert content(made(patient_code="")).patient_code == "no patient code"


class TestRate:
    @pytest.mark.parametrize("frames", [1, 0])
    def test_one_frame_or_none_is_never_normal(self, frames: int) -> None:
        text = printed(cut(made(), frames))
        assert "frame rate not known" in text
        assert "no nystagmus" not in text
        assert "none by the presence rule" not in text
        assert "nan" not in text

    @pytest.mark.parametrize(("rate_hz", "assessed"), [(10.0, False), (24.0, False), (29.97, True)])
    def test_slow_phases_need_30_frames_a_second(self, rate_hz: float, assessed: bool) -> None:
        """Clinical practice: 30/s is usable for slow phases."""
        text = printed(made(Phase("dark", 30, (0, 0, 0)), rate_hz=rate_hz))
        assert ("no nystagmus by the presence rule" in text) == assessed
        assert (f"frame rate too low ({rate_hz:.1f}/s, 30/s needed)" in text) == (not assessed)

    def test_copies_do_not_count_as_frames(self) -> None:
        recording = made(rate_hz=40.0)
        for stream in recording.info.eyes.values():
            stream.measured_rate_hz = 20.0  # every second picture is a copy
        assert "frame rate too low (20.0/s, 30/s needed)" in printed(recording)

    def test_a_rate_that_falls_in_the_dark(self) -> None:
        recording = made()
        rows = {
            eye: samples[(samples["time_s"] > 33) | (samples["frame"] % 5 == 0)]
            for eye, samples in recording.samples.items()
        }
        assert "frame rate too low (20.0/s, 30/s needed)" in printed(replace(recording, samples=rows))


class TestPattern:
    def fits(self, *phases: Phase, **about: object) -> tuple[str, ...]:
        return content(made(*phases, **about)).fits

    @pytest.mark.parametrize("calibration", [Calibrated(direction="unproven"), CONTRADICTED, DEFAULT])
    @pytest.mark.parametrize("speeds", [(-8.0, 0, 0), (0, 9.0, 0), (0, 9.0, 4.0), (0, 0, 9.0)])
    def test_none_without_proven_direction(
        self, speeds: tuple[float, float, float], calibration: Calibrated
    ) -> None:
        shown = self.fits(Phase("dark", 20, speeds), calibration=calibration)
        assert all("no pattern is named" in text for text in shown)
        assert not any("fits" in text.lower() for text in shown)

    def test_none_where_one_eye_is_not_proven(self) -> None:
        recording = made()
        recording.calibrations["left"] = Calibrated(direction="unproven")
        assert content(recording).fits == ("left eye: direction not proven: no pattern is named.",)

    @pytest.mark.parametrize("speeds", [(-8.0, 0, 0), (0, 9.0, 0)])
    def test_none_where_torsion_is_not_assessed(self, speeds: tuple[float, float, float]) -> None:
        shown = self.fits(Phase("dark", 20, speeds), torsion_quality=0.1)
        assert shown == ("torsional part not assessed: no pattern is named.",)

    def test_none_where_the_eyes_beat_apart(self) -> None:
        one, other = (made(Phase("dark", 20, (v, 0, 0))) for v in (-8.0, 8.0))
        both = replace(one, samples={"right": one.samples["right"], "left": other.samples["left"]})
        assert content(both).fits[0] == (
            "the eyes beat in different directions (horizontal): no pattern is named."
        )

    def test_healthy_velocity_is_not_said_of_uncalibrated_degrees(self) -> None:
        refused = Calibrated(False, "refused", "proven", "Refused: no fit.", 2.0, 3.0, None, None)
        (pattern,) = self.fits(Phase("dark", 25, (-3.0, 0, 0)), calibration=refused)
        assert "Right-beating" in pattern
        assert "healthy people" not in pattern


class TestTorsion:
    def test_withheld_is_not_called_unreadable(self) -> None:
        text = printed(made(calibration=CONTRADICTED))
        assert "torsion withheld: the direction check is contradicted" in text
        assert "torsion not readable" not in text
        assert "quality too low" not in text

    def test_missing_torsion_stands_beside_no_nystagmus(self) -> None:
        text = printed(made(Phase("dark", 30), torsion_quality=0.1))
        assert "no nystagmus by the presence rule (torsional part not assessed)" in text


class TestData:
    def test_state_of_the_recording(self) -> None:
        shown = data(made(complete=False, times="nominal"))
        assert (shown["complete"], shown["training"], shown["verified"]) == (False, True, True)
        assert shown["patient_code"] == "HL-0007"
        assert shown["eyes"]["left"]["times"] == "nominal"
        assert shown["eyes"]["left"]["marks"] == ["frame rate not proven"]

    def test_sign_rule_is_not_claimed_where_it_is_contradicted(self) -> None:
        assert "not proven" in data(made(calibration=CONTRADICTED))["sign_rule"]
        assert "not proven" not in data(made())["sign_rule"]
        assert data(made(calibration=CONTRADICTED))["eyes"]["right"]["direction"] == "contradicted"

    def test_the_eye_that_is_not_proven_is_named(self) -> None:
        recording = made(training=False)
        recording.calibrations["left"] = CONTRADICTED
        (banner,) = data(recording)["banners"]
        assert banner.startswith("Direction not proven, left eye:")
        assert data(recording)["sign_rule"].startswith("left eye: as in the picture;")


@pytest.mark.parametrize("seal", [True, False])
def test_exported_tables_say_what_is_not_proven(seal: bool, tmp_path: Path) -> None:
    """A real recording without targets and, once, without its seal."""
    folder = sealed(tmp_path / "data", targets=())
    if not seal:
        (folder / "seal.json").unlink()
    with open_recording(folder) as recording:
        write_export(recording, analyse_recording(recording), tmp_path / "out")
    shown = json.loads((tmp_path / "out" / "recording.json").read_text())
    assert shown["verified"] is seal
    assert any(text.startswith(TestSeal.UNSEALED) for text in shown["banners"]) == (not seal)
    assert "not proven" in shown["sign_rule"]
    assert "not proven" in shown["recording"]["sign_rule"]
    assert shown["columns"]["samples"]["horizontal_deg"].endswith("(where direction_proven)")
    head, first = (tmp_path / "out" / "samples_right.csv").read_text().splitlines()[:2]
    assert dict(zip(head.split(","), first.split(","), strict=True))["direction_proven"] == "False"


class TestNumbers:
    """Every number in deg, deg/s or 1/s carries what makes it doubtful."""

    NUMBER = re.compile(r"[0-9.]+ (?:to [^ ]*[0-9.]+ )?(?:± [<0-9.]+ )?(deg/s|deg)\b")

    @pytest.mark.parametrize("phases", [BOTH, (BOTH[0], Phase("fixation", 12))])
    def test_uncalibrated_in_every_sentence(self, phases: tuple[Phase, ...]) -> None:
        shown = content(made(*phases, calibration=DEFAULT))
        texts = (*shown.conclusions, *shown.fits, shown.fixation, *(f.text for f in shown.red_flags))
        found = [(text, match) for text in texts for match in self.NUMBER.finditer(text)]
        assert len(found) >= 6
        for text, match in found:
            assert text[match.end() :].startswith("] uncalibrated"), text

    @pytest.mark.parametrize(
        ("about", "word"),
        [
            ({"calibration": DEFAULT}, r"uncal(\.|ibrated)"),
            ({"times": "nominal"}, r"rate\?|frame rate not proven"),
        ],
    )
    def test_in_every_cell(self, about: dict, word: str) -> None:
        shown = content(made(BOTH[0], Phase("fixation", 12), **about))
        velocities, (fixation, _, eyes) = shown.main_tables[0], shown.side_tables
        cells = [row[i] for row in velocities.rows for i in (4, 5, 6)]
        cells += [row[3] for row in fixation.rows] + [cell for row in eyes.rows for cell in row[1:]]
        cells += [row[2] for row in shown.summary.rows]
        doubtful = [cell.text for cell in cells if re.search(r"\d", cell.text)]
        assert len(doubtful) >= 10
        assert all(re.search(word, text) for text in doubtful), doubtful
        drift = [row[10].text for row in velocities.rows if "drift" in row[10].text]
        assert drift
        assert all(re.search(word, text) for text in drift)
        for table in (velocities, fixation):
            assert re.search(r"= (uncalibrated|frame rate not proven)", table.note)

    def test_a_rate_makes_no_angle_doubtful_but_a_frequency(self) -> None:
        shown = content(made(times="nominal"))
        assert "rate" not in shown.main_tables[0].rows[0][9].text
        assert shown.summary.rows[0][3].text == "[2.0] frame rate not proven"

    def test_direction_that_changes(self) -> None:
        phases = (Phase("a", 20, (-6.0, 0, 0)), Phase("b", 20, (6.0, 0, 0)))
        text = printed(made(*phases, steps_stated=False, calibration=DEFAULT))
        assert "direction changes: [6.0 deg/s] uncalibrated in" in text

    def test_quartiles_never_hide_a_change_of_sign(self) -> None:
        """Of eleven beats the quartiles are the third and the ninth: -2 and 1.5 deg/s, to both sides."""
        finding = Finding(
            *("slow_phase_velocity", "slow-phase velocity", "deg/s", -1.0),
            quartiles=(-2.0, 1.5),
            marks=("direction not proven",),
        )
        assert between(finding, finding.quartiles).text == "2.0 one way to 1.5 the other"
        same = replace(finding, quartiles=(-2.0, -1.5))
        assert between(same, same.quartiles).text == "1.5 to 2.0"

    def test_torsional_rows_keep_their_reason(self) -> None:
        fixation = content(made(torsion_quality=0.1)).side_tables[0]
        torsional = [row for row in fixation.rows if row[1].text == "torsional"]
        assert len(torsional) == 2
        assert all("torsion not readable" in row[4].text for row in torsional)

    def test_eyes_are_not_subtracted_where_one_may_be_mirrored(self) -> None:
        recording = made()
        recording.calibrations["left"] = CONTRADICTED
        eyes = content(recording).side_tables[2]
        assert {cell.text for row in eyes.rows for cell in row[1:]} == {"not assessed"}
        assert "left eye: direction not proven" in eyes.note

    def test_calibration_is_refused_once(self) -> None:
        refused = Calibrated(False, "refused", "proven", "Refused: no fit.", 2.0, 3.0, None, None)
        text = printed(made(calibration=refused))
        assert "calibration refused: no fit." in text
        assert "refused: Refused" not in text
        assert "[2.00 deg] uncalibrated / [3.00 deg] uncalibrated" in text


class TestRange:
    def gazing(self, horizontal_deg: float) -> MadeRecording:
        """Beats about an eccentric place; the calibration holds to 15 deg."""
        recording = made()
        rows = {eye: samples.copy() for eye, samples in recording.samples.items()}
        for samples in rows.values():
            samples["horizontal_deg"] += horizontal_deg
        return replace(recording, samples=rows)

    @pytest.mark.parametrize(("place_deg", "outside"), [(0.0, False), (13.0, False), (18.0, True)])
    def test_beats_outside_are_marked_and_meet_no_limit(self, place_deg: float, outside: bool) -> None:
        shown = content(self.gazing(place_deg))
        cell = shown.main_tables[0].rows[0][4].text
        assert cell == ("[−8.0] outside the calibrated range" if outside else "−8.0")
        assert (shown.main_tables[0].rows[0][-1].text == "not applied") == outside
        assert any("outside the calibrated range" in text for text in shown.conclusions) == outside
