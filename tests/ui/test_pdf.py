from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from pypdf import PdfReader

from analysis.analyse import analyse_recording
from analysis.battery import EVERY
from analysis.procedure import Procedure
from analysis.report import ReportContent, report_content
from tests.analysis.paroxysm import Course, Position, positional
from tests.analysis.sawtooth import Calibrated, Made, Phase, make_recording
from ui.report import page_data, write_pdf, write_trace_picture
from ui.report.letters import COVERED, printable

BOTH = (Phase("dark", 25, (-8.0, 1.6, -2.0)), Phase("fixation", 12, (-2.4, 0, 0)))
DEFAULT = Calibrated(False, "default", "unproven", "No targets: an average eye.", None, None)


def content(*phases: Phase, clinic: str = "Harbour Lane Balance Clinic", **made: object) -> ReportContent:
    recording = make_recording(Made(phases or BOTH, **made))  # type: ignore[arg-type]
    return report_content(recording, analyse_recording(recording, 1966), clinic=clinic)


def text_of(path: Path, pages: int = 1) -> str:
    """All letters of the first pages of a PDF without any white space: where lines break does not matter."""
    return re.sub(r"\s+", "", "".join(page.extract_text() for page in PdfReader(path).pages[:pages]))


@pytest.fixture(scope="module")
def report() -> ReportContent:
    return content()


@pytest.fixture(scope="module")
def pdf(report: ReportContent, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("pdf") / "report.pdf"
    write_pdf(report, path)
    return path


@pytest.fixture(scope="module")
def printed(pdf: Path) -> str:
    return text_of(pdf, 2)


class TestPages:
    def test_two_a4_pages(self, pdf: Path) -> None:
        pages = PdfReader(pdf).pages
        assert len(pages) == 2
        for page in pages:
            assert float(page.mediabox.width) == pytest.approx(595.3, abs=0.5)
            assert float(page.mediabox.height) == pytest.approx(841.9, abs=0.5)

    def test_there_is_room_to_write_and_sign_however_much_is_said(self, tmp_path: Path) -> None:
        """A positional test of two eyes fills the second page: 2 cm at least are left to write on."""
        rest = (0.0, 6.0, 0.0)
        still = Position("baseline", 20, Course(constant_dps=rest), reached_after_s=None)
        down = Position("left ear down", 40, Course((0.0, 4.5, 0.0), tau_s=30.0, constant_dps=rest))
        up = Position("sitting up", 30, Course(constant_dps=rest))
        eyes = ("right", "left")
        made = positional(still, down, up, procedure="dix_hallpike_left", eyes=eyes)
        path = tmp_path / "report.pdf"
        write_pdf(report_content(made, analyse_recording(made, 1966)), path)
        heights_pt: dict[str, float] = {}

        def note(text: str, at: list[float], *_rest: object) -> None:
            heights_pt.update({word: at[5] for word in ("interpretation", "signature") if word in text})

        PdfReader(path).pages[-1].extract_text(visitor_text=note)
        assert abs(heights_pt["interpretation"] - heights_pt["signature"]) > 20 / 25.4 * 72

    @pytest.mark.parametrize(
        "words",
        [
            "HL-0007",
            "Harbour Lane Balance Clinic",
            "2026-11-25 13:40 UTC",
            "right-beating 8.0 deg/s",
            "down-beating 1.6 deg/s",
            "outside (up to 5.5)",
            "doi 10.3233/VES-200022",
            "not a certified medical device",
            "Training: a simulated patient",
            "The direction alone does not name the side",
            "signature",
            "page 2 of 2",
            "good, direction proven",
            "present_velocity_dps 1",
            "right eye",  # drawn on the curves as words
            "upper pole right",
        ],
    )
    def test_what_a_doctor_must_find(self, printed: str, words: str) -> None:
        assert words.replace(" ", "") in printed

    def test_is_tagged_pdf_a(self, pdf: Path) -> None:
        root = PdfReader(pdf).trailer["/Root"]
        assert root["/MarkInfo"]["/Marked"]
        metadata = root["/Metadata"].get_data().decode()
        assert re.search(r"pdfaid:part(>|=\")2", metadata)
        assert re.search(r"pdfaid:conformance(>|=\")B", metadata)
        assert root["/OutputIntents"]

    def test_every_font_is_ours_and_embedded(self, pdf: Path) -> None:
        fonts = set()
        for page in PdfReader(pdf).pages:
            for font in page["/Resources"]["/Font"].values():
                fonts.add(font.get_object()["/BaseFont"].split("+")[-1])
        assert fonts
        assert all(name.startswith("NotoSans") for name in fonts)

    @pytest.mark.parametrize("procedure", EVERY, ids=lambda p: p.key)
    def test_of_every_procedure(self, procedure: Procedure, tmp_path: Path) -> None:
        """Nystagmus on all axes in each step: every limit that is drawn finds its curve."""
        phases = [Phase(step.key, 10.0, (-6.0, 5.0, 3.0)) for step in procedure.steps]
        report = content(*phases, procedure=procedure.key, eyes=("right", "left"))
        write_pdf(report, tmp_path / "report.pdf")
        assert procedure.title.replace(" ", "") in text_of(tmp_path / "report.pdf")

    @pytest.mark.parametrize(
        "made",
        [
            {"eyes": ("left",)},
            {"calibration": DEFAULT, "times": "nominal", "complete": False, "torsion_quality": 0.1},
            {"steps_stated": False},
        ],
        ids=["one eye", "nothing proven", "no steps"],
    )
    def test_always_two_pages(self, made: dict[str, object], tmp_path: Path) -> None:
        write_pdf(content(**made), tmp_path / "report.pdf")
        assert len(PdfReader(tmp_path / "report.pdf").pages) == 2

    def test_red_flags_stand_on_page_1(self, tmp_path: Path) -> None:
        write_pdf(
            content(Phase("dark", 25, (0, 9.0, 0)), Phase("fixation", 12, (0, 8.5, 0))), tmp_path / "a.pdf"
        )
        pages = PdfReader(tmp_path / "a.pdf").pages
        assert len(pages) == 2
        assert "Doctor now:" in pages[0].extract_text()

    def test_nothing_seen_is_still_a_report(self, tmp_path: Path) -> None:
        recording = make_recording(Made((Phase("dark", 6),), eyes=("right",)))
        samples = recording.samples["right"].copy()
        for name in ("x_px", "horizontal_deg", "vertical_deg", "torsional_deg"):
            samples[name] = float("nan")
        recording.samples["right"] = samples
        write_pdf(report_content(recording, analyse_recording(recording)), tmp_path / "a.pdf")
        assert "notassessed" in text_of(tmp_path / "a.pdf")


class TestForeignText:
    @pytest.mark.parametrize(
        "code",
        [
            '#read("/etc/passwd")',
            "<script>alert(1)</script>",
            "{{7*7}} $x^2$ *bold* _it_ `raw` @ref <label> \\ // no comment",
            '#import "@preview/x:0.1.0"',
            "Zoë Müller-Čapek Ωμέγα Жук",
        ],
    )
    def test_is_printed_letter_for_letter(self, code: str, report: ReportContent, tmp_path: Path) -> None:
        write_pdf(replace(report, patient_code=code), tmp_path / "a.pdf")
        printed = text_of(tmp_path / "a.pdf")
        assert code.replace(" ", "") in printed
        assert "root:" not in printed

    def test_devanagari_is_set_in_a_font_that_has_it(self, report: ReportContent, tmp_path: Path) -> None:
        """Extraction orders joined letters as drawn, so each letter is looked for, not the word."""
        name = "संतुलन क्लिनिक"
        write_pdf(replace(report, clinic=name), tmp_path / "a.pdf")
        assert set(name) - {" "} <= set(text_of(tmp_path / "a.pdf"))

    def test_letters_that_no_font_holds_become_their_code_point(
        self, report: ReportContent, tmp_path: Path
    ) -> None:
        write_pdf(replace(report, patient_code="HL-日\u202e7"), tmp_path / "a.pdf")
        assert "HL-[U+65E5][U+202E]7" in text_of(tmp_path / "a.pdf")

    def test_every_covered_letter_can_be_set(self, report: ReportContent, tmp_path: Path) -> None:
        every = "".join(chr(c) for low, high in COVERED for c in range(low, high + 1))
        assert printable(every) == every
        write_pdf(replace(report, clinic=every), tmp_path / "a.pdf")  # PDF/A refuses a letter without a glyph


class TestFiles:
    def test_a_report_is_never_overwritten(self, report: ReportContent, tmp_path: Path) -> None:
        path = tmp_path / "report.pdf"
        path.write_bytes(b"signed")
        with pytest.raises(FileExistsError):
            write_pdf(report, path)
        assert path.read_bytes() == b"signed"

    def test_picture_of_the_trace(self, report: ReportContent, tmp_path: Path) -> None:
        path = tmp_path / "trace.png"
        write_trace_picture(report, path)
        data = path.read_bytes()
        assert data.startswith(b"\x89PNG\r\n\x1a\n")
        width, height = int.from_bytes(data[16:20]), int.from_bytes(data[20:24])
        assert width > 1400
        assert height > 700
        with pytest.raises(FileExistsError):
            write_trace_picture(report, path)

    def test_page_data_is_plain_json(self, report: ReportContent) -> None:
        json.dumps(page_data(report), allow_nan=False)

    def test_no_value_is_part_of_a_template(self) -> None:
        for template in (Path(__file__).parents[2] / "ui" / "report").glob("*.typ"):
            source = template.read_text(encoding="utf-8")
            assert "eval(" not in source
            assert "read(" not in source
            set_behind_parts = template.name in ("page.typ", "summary.typ")
            assert source.count("sys.inputs") == (0 if set_behind_parts else 1)
