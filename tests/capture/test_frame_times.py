from __future__ import annotations

import gzip
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from capture.errors import SourceError
from capture.frame_times import FrameTimes, lost_before, read_frame_times

HEADER = "video_frame,host_time_s\n"


def test_plain_and_packed_times_read_alike(tmp_path: Path) -> None:
    text = HEADER + "0,1.5\n1,1.52\n2,1.52\n"
    (tmp_path / "plain.csv").write_text(text)
    (tmp_path / "packed.csv.gz").write_bytes(gzip.compress(text.encode()))
    for name in ("plain.csv", "packed.csv.gz"):
        times = read_frame_times(tmp_path / name)
        assert times.time_of == {0: 1.5, 1: 1.52, 2: 1.52}
        assert times.last_frame == 2


def test_a_table_from_a_spreadsheet_may_begin_with_a_mark(tmp_path: Path) -> None:
    path = tmp_path / "times.csv"
    path.write_text(HEADER + "0,2.0\n", encoding="utf-8-sig")
    assert read_frame_times(path).time_of == {0: 2.0}


def test_columns_are_found_by_name(tmp_path: Path) -> None:
    path = tmp_path / "times.csv"
    path.write_text("note,host_time_s,video_frame\nx,2.0,0\ny,2.5,1\n")
    assert read_frame_times(path).time_of == {0: 2.0, 1: 2.5}


@pytest.mark.parametrize(
    ("rows", "line", "word"),
    [
        ("0,1.0\n1,0.9\n", 3, "back in time"),
        ("0,1.0\n0,1.1\n", 3, "repeats"),
        ("0,1.0\n2,1.1\n1,1.2\n", 4, "back behind"),
        ("0,1.0\n1,soon\n", 3, "not a frame number"),
        ("0,1.0\n1\n", 3, "not a frame number"),
        ("0,1.0\n1.5,1.1\n", 3, "not a frame number"),
        ("0,nan\n", 2, "no usable number"),
        ("0,inf\n", 2, "no usable number"),
        ("-1,1.0\n", 2, "no usable number"),
    ],
)
def test_a_wrong_row_is_named_by_its_line(tmp_path: Path, rows: str, line: int, word: str) -> None:
    path = tmp_path / "times.csv"
    path.write_text(HEADER + rows)
    with pytest.raises(SourceError, match=word) as caught:
        read_frame_times(path)
    assert f"Line {line} " in str(caught.value)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize(
    "content",
    [b"", HEADER.encode(), b"frame,time\n0,1\n", b"\xff\xfe\x00", b"0,1.0\n1,1.1\n"],
    ids=["empty", "no rows", "other columns", "no text", "no header"],
)
def test_a_file_without_times_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "times.csv"
    path.write_bytes(content)
    with pytest.raises(SourceError, match=r"times\.csv"):
        read_frame_times(path)


def test_a_packed_file_that_was_cut_off_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "times.csv.gz"
    path.write_bytes(gzip.compress((HEADER + "0,1.0\n" * 500).encode())[:-12])
    with pytest.raises(SourceError, match="times"):
        read_frame_times(path)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="nowhere"):
        read_frame_times(tmp_path / "nowhere.csv")


@pytest.mark.parametrize("times", [[7.0] * 4, [7.0, 7.0], [7.0, 7.0, 7.0, 7.02, 7.02]])
def test_times_that_stand_still_are_refused(tmp_path: Path, times: list[float]) -> None:
    """Whole seconds of a rounded clock, or one time for all: no velocity can rest on that."""
    path = tmp_path / "times.csv"
    path.write_text(HEADER + "".join(f"{frame},{time_s}\n" for frame, time_s in enumerate(times)))
    with pytest.raises(SourceError, match=r"same time as the one before\. Nothing was recorded\."):
        read_frame_times(path)


@pytest.mark.parametrize("rows", ["0,1.0\n1,0.9\n", "0,1.0\n0,1.1\n", "0,nan\n", "x,1\n", ""])
def test_every_refusal_says_that_nothing_was_recorded(tmp_path: Path, rows: str) -> None:
    path = tmp_path / "times.csv"
    path.write_text(HEADER + rows)
    with pytest.raises(SourceError, match="Nothing was recorded"):
        read_frame_times(path)


def test_a_hole_in_time_is_counted_where_it_is() -> None:
    time_s = np.delete(np.arange(30) * 0.02, [7, 15, 16])
    lost = lost_before(np.arange(27), time_s)
    assert lost.sum() == 3
    assert lost[7] == 1
    assert lost[14] == 2


def test_a_frame_that_came_late_was_not_lost() -> None:
    time_s = np.arange(30) * 0.02
    time_s[10] += 0.019
    assert lost_before(np.arange(30), time_s).sum() == 0


def test_a_jump_of_the_number_counts_without_a_hole_in_time() -> None:
    number = np.array([0, 1, 2, 5, 6])
    assert lost_before(number, np.arange(5) * 0.02).tolist() == [0, 0, 0, 2, 0]


def test_a_jump_with_its_hole_counts_once() -> None:
    number = np.array([0, 1, 2, 5, 6])
    assert lost_before(number, number * 0.02).tolist() == [0, 0, 0, 2, 0]


@pytest.mark.parametrize("times", [[], [1.0], [1.0, 1.02]])
def test_too_few_frames_have_no_usual_interval(times: list[float]) -> None:
    assert lost_before(np.arange(len(times)), np.array(times)).sum() == 0


@given(
    st.sets(st.integers(10, 189), max_size=10),
    st.integers(0, 2**32 - 1),
    st.sampled_from([30.0, 60.0, 250.0]),
)
@example({129, 169, 11, 13, 141, 29, 127}, 1768, 30.0)  # one frame between two losses
def test_lost_frames_are_counted_under_jitter(gone: set[int], seed: int, rate_hz: float) -> None:
    """Arrival jitter of 10 % of an interval (SD), any 10 of 200 frames missing."""
    number = np.array([n for n in range(200) if n not in gone])
    jitter = np.random.default_rng(seed).normal(0, 0.1, len(number)).clip(-0.24, 0.24)
    lost = lost_before(np.arange(len(number)), (number + jitter) / rate_hz)
    assert lost.tolist() == (np.diff(number, prepend=-1) - 1).tolist()


@pytest.mark.parametrize(("name", "eye"), [("s02", "R"), ("s05", "L"), ("s08", "R"), ("s11", "R")])
def test_a_recording_without_losses_has_none(phantom: Callable[[str], Path], name: str, eye: str) -> None:
    assert _found(phantom(name), eye) == _true(phantom(name), eye)


@pytest.mark.phantom
@pytest.mark.parametrize(("name", "eye"), [("s09", "R"), ("s03", "L"), ("s12", "R")])
def test_lost_and_late_frames_are_told_apart(phantom: Callable[[str], Path], name: str, eye: str) -> None:
    assert _found(phantom(name), eye) == _true(phantom(name), eye)


def _found(folder: Path, eye: str) -> list[int]:
    time_of = read_frame_times(folder / f"frames_{eye}.csv.gz").time_of
    return lost_before(np.array(list(time_of)), np.array(list(time_of.values()))).tolist()


def _true(folder: Path, eye: str) -> list[int]:
    with h5py.File(folder / "truth.h5", "r") as truth:
        shown = np.flatnonzero(truth[f"{eye}/video_frame"][:] >= 0)
    return (np.diff(shown, prepend=shown[0] - 1) - 1).tolist()


def test_a_single_frame_has_no_interval() -> None:
    assert np.isnan(FrameTimes(Path("times.csv"), {0: 1.5}).interval_s)


def test_milliseconds_are_told_by_the_rate_of_the_video() -> None:
    """Frames 20 apart of a video of 50 frames/s are 20 ms; a header of 1 million frames/s tells nothing."""
    times = FrameTimes(Path("times.csv"), {0: 0.0, 1: 20.0, 2: 40.0})
    times.check_unit(1e6)
    with pytest.raises(SourceError, match="seconds expected"):
        times.check_unit(50.0)
    FrameTimes(Path("times.csv"), {0: 0.0, 1: 0.02, 2: 0.04}).check_unit(50.0)


def test_an_empty_line_is_no_frame(tmp_path: Path) -> None:
    path = tmp_path / "times.csv"
    path.write_text(HEADER + "0,1.0\n\n1,1.02\n")
    assert read_frame_times(path).time_of == {0: 1.0, 1: 1.02}


def test_frames_that_all_arrived_at_once_tell_only_by_their_numbers() -> None:
    """Of 0, 1, 4 two frames are missing before the last; times without any interval add nothing."""
    assert lost_before(np.array([0, 1, 4]), np.array([2.0, 2.0, 2.0])).tolist() == [0, 0, 2]


def test_span_is_from_the_first_frame_to_the_last() -> None:
    assert FrameTimes(Path("times.csv"), {0: 1.5, 1: 1.52, 3: 1.56}).span_s == (1.5, 1.56)
