"""Reading calibration targets, and refusing lists that cannot be true."""

from __future__ import annotations

from pathlib import Path

import pytest

from capture.errors import TargetsError
from capture.samples import Target
from capture.targets import read_targets

HEADER = "start_s,end_s,horizontal_deg,vertical_deg\n"


def _read(folder: Path, text: str, encoding: str = "utf-8") -> tuple[Target, ...]:
    path = folder / "targets.csv"
    path.write_bytes(text.encode(encoding))
    return read_targets(path)


def test_targets_come_in_order_of_time(tmp_path: Path) -> None:
    text = HEADER + "1.0,1.8,10,0\n0.2,1.0,0,0\n\n1.8,2.6,-10.5,-5\n"
    assert _read(tmp_path, text) == (
        Target(0.2, 1.0, 0, 0),
        Target(1.0, 1.8, 10, 0),
        Target(1.8, 2.6, -10.5, -5),
    )


def test_other_columns_byte_order_mark_and_windows_lines_do_no_harm(tmp_path: Path) -> None:
    text = "﻿note, vertical_deg,start_s,end_s,horizontal_deg\r\nfirst,5,0,1,-3\r\n"
    assert _read(tmp_path, text) == (Target(0.0, 1.0, -3.0, 5.0),)


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("", "start_s"),
        (HEADER, "no target"),
        ("start_s,end_s,horizontal_deg\n0,1,0\n", "vertical_deg"),
        ("start_s,end_s,horizontal_deg,vertical_deg,start_s\n0,1,0,0,0\n", "start_s once"),
        (HEADER + "0,1,0,0\n1,2,ten,0\n", "line 3: horizontal_deg is 'ten'"),
        (HEADER + "0,1,0\n", "line 2: vertical_deg is ''"),
        (HEADER + "0,1,nan,0\n", "line 2: horizontal_deg is 'nan'"),
        (HEADER + "0,inf,0,0\n", "line 2: end_s is 'inf'"),
        (HEADER + "0,1,0,0\n2,2,10,0\n", "line 3: the target ends before it starts"),
        (HEADER + "0,1,0,0\n3,2,10,0\n", "line 3: the target ends before it starts"),
        (HEADER + "0,1,0,60.5\n", "line 2: a target beyond 60 deg"),
        (HEADER + "0,1,0,0\n0.5,2,10,0\n", "lines 2 and 3 are contradictory"),
        (HEADER + "0.5,2,10,0\n0,1,10,0\n", "lines 3 and 2 are twice the same target"),
        (HEADER + "0,3,0,0\n1,2,10,0\n2.5,4,5,0\n", "lines 2 and 3 are contradictory"),
        (HEADER + "0,9,0,0\n", ""),
    ],
)  # fmt: skip
def test_the_message_names_file_line_and_remedy(tmp_path: Path, text: str, named: str) -> None:
    if not named:  # the last row is good: the test can tell
        assert len(_read(tmp_path, text)) == 1
        return
    with pytest.raises(TargetsError) as caught:
        _read(tmp_path, text)
    assert named in str(caught.value)
    assert "targets.csv" in str(caught.value)
    assert str(caught.value).endswith(".")


def test_neighbours_may_share_an_instant(tmp_path: Path) -> None:
    assert len(_read(tmp_path, HEADER + "0,1.0004,0,0\n1,2,10,0\n")) == 2


def test_a_missing_file_and_a_wrong_encoding_are_told(tmp_path: Path) -> None:
    with pytest.raises(TargetsError, match=r"absent\.csv cannot be read .*Check the path"):
        read_targets(tmp_path / "absent.csv")
    with pytest.raises(TargetsError, match="UTF-8"):
        _read(tmp_path, HEADER + "0,1,0,0\n", "utf-16")
