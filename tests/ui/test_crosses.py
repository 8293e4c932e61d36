"""Crosses are printed where their angles are: read back from the pages."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from pypdf import PdfReader

from ui.command_line import main
from ui.crosses.pdf import PAGE_MM, write_crosses
from ui.crosses.places import crosses

DPI = 254  # 10 dots a millimetre
TAN_10, COS_10, TAN_15, COS_15 = 0.1763270, 0.9848078, 0.2679492, 0.9659258  # of a table


def seen_mm(pdf: Path, page: int, arm_mm: float) -> list[tuple[float, float]]:
    """Middles (from the left, from the top) of every cross of this size that a printed page shows."""
    command = ["pdftoppm", "-r", str(DPI), "-gray", "-f", str(page), "-l", str(page), str(pdf)]
    made = subprocess.run(command, capture_output=True, check=True).stdout
    picture = cv2.imdecode(np.frombuffer(made, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    _, _, stats, middles = cv2.connectedComponentsWithStats((picture < 128).astype(np.uint8))
    scale = DPI / 25.4
    return [
        (float(x) / scale, float(y) / scale)
        for (x, y), (_, _, wide, high, _) in zip(middles, stats, strict=True)
        if abs(wide / scale - arm_mm) < 0.4 and abs(high / scale - arm_mm) < 0.4
    ]


def words(pdf: Path, page: int) -> str:
    return re.sub(r"\s+", " ", PdfReader(pdf).pages[page - 1].extract_text())


def test_angles_become_the_places_of_the_table() -> None:
    by_angle = {one[:2]: one[2:] for one in crosses(1.2)}
    assert by_angle[10, 0] == pytest.approx((211.6, 0), abs=0.05)  # clinical 3.1
    assert by_angle[0, -10] == pytest.approx((0, -211.6), abs=0.05)
    # Fick: y / sqrt(x^2 + d^2) = tan v, so a corner stands 1 / cos h higher than the cross straight up.
    assert by_angle[-10, 10] == pytest.approx((-211.59, 1200 * TAN_10 / COS_10), abs=0.01)
    by_angle = {one[:2]: one[2:] for one in crosses(1.5, 15)}
    assert by_angle[15, 10] == pytest.approx((1500 * TAN_15, 1500 * TAN_10 / COS_15), abs=0.01)


def test_one_sheet_holds_all_crosses_where_they_belong(tmp_path: Path) -> None:
    pdf = tmp_path / "near.pdf"
    assert write_crosses(pdf, 0.4) == 1
    (page,) = PdfReader(pdf).pages
    assert float(page.mediabox.width) / 72 * 25.4 == pytest.approx(297, abs=0.1)
    side, corner = 400 * TAN_10, 400 * TAN_10 / COS_10  # 70.53 and 71.62 mm
    places = [(0, 0), (side, 0), (-side, 0), (0, side), (0, -side)]
    places += [(x, y) for x in (side, -side) for y in (corner, -corner)]
    expected = sorted((PAGE_MM[0] / 2 + x, PAGE_MM[1] / 2 - y) for x, y in places)
    seen = sorted(seen_mm(pdf, 1, 400 * 1.5 * np.pi / 180))
    assert len(seen) == 9
    for found in seen:
        assert min(np.hypot(found[0] - x, found[1] - y) for x, y in expected) < 0.15
    for x, y in expected:
        assert min(np.hypot(found[0] - x, found[1] - y) for found in seen) < 0.15


def test_the_ruler_is_ten_centimetres_long(tmp_path: Path) -> None:
    pdf = tmp_path / "near.pdf"
    write_crosses(pdf, 0.5)
    assert len(seen_mm(pdf, 1, 100.3)) == 1  # both legs and the thickness of a line


def test_far_crosses_have_a_sheet_each_which_says_where_it_goes(tmp_path: Path) -> None:
    pdf = tmp_path / "far.pdf"
    assert write_crosses(pdf, 1.2, surface="ceiling") == 9
    assert len(PdfReader(pdf).pages) == 10  # and the list
    for page in range(1, 10):
        ((x, y),) = seen_mm(pdf, page, 1200 * 1.5 * np.pi / 180)
        assert (x, y) == pytest.approx((PAGE_MM[0] / 2, PAGE_MM[1] / 2), abs=0.15)
    assert "21.2 cm to the right of the centre cross" in words(pdf, 2)
    assert "21.2 cm below the centre cross" in words(pdf, 5)
    assert "21.2 cm to the left and 21.5 cm above the centre cross" in words(pdf, 7)
    assert "toward the top of the head" in words(pdf, 1)
    assert "LEFT AND UP 10° / 10° −21.2 +21.5" in words(pdf, 10)


@pytest.mark.parametrize("distance", ["0", "-1", "120", "nan", "0.1"])
def test_a_distance_that_no_wall_has_is_refused_in_words(tmp_path: Path, distance: str) -> None:
    out = tmp_path / "x.pdf"
    asked = CliRunner().invoke(main, ["crosses", "--distance-m", distance, str(out)])
    assert asked.exit_code == 2
    assert "Measure it in metres" in asked.output
    assert not out.exists()


def test_a_file_that_is_there_is_kept(tmp_path: Path) -> None:
    out = tmp_path / "x.pdf"
    out.write_text("mine")
    with pytest.raises(FileExistsError):
        write_crosses(out, 1.0)
    assert out.read_text() == "mine"
