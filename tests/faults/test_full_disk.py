"""A disk that takes no more: said in words, nothing that was safe is lost, and it goes on later."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from recordings.errors import RecordingError, StorageError
from recordings.export.tables import Tables, write_tables
from recordings.sealed import open_recording
from recordings.sealing_process import seal_left_overs
from tests.recordings.making import ListSource, expected_of, frames, recorder
from ui.report.pdf import write_new

resource = pytest.importorskip("resource", reason="this system knows no limit of a file's size")


@contextmanager
def files_up_to(size: int) -> Iterator[None]:
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, limits[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)


@pytest.mark.parametrize("size", [1_000_000, 1_500_000, 2_500_000])
def test_a_disk_that_fills_while_recording(tmp_path: Path, size: int) -> None:
    shown = frames(3000)
    source = ListSource(shown, wait_s=0.003)
    made = recorder(tmp_path, {"camera-right": source})
    with files_up_to(size):
        made.start()
        assert made.wait(60)
        with pytest.raises(StorageError, match="safe in"):
            made.finish()
        acknowledged = made._running().journal.committed.samples["right"]
    assert source.at < 3000  # the source was stopped
    assert source.closed
    (left,) = seal_left_overs(tmp_path)
    assert left.problem == ""
    with open_recording(left.folder) as recording:
        rows = recording.samples["right"]
        assert acknowledged <= len(rows) < 3000
        assert acknowledged > 0 or size < 2_000_000  # the first commit alone may fill the smaller ones
        assert rows["frame"].tolist() == list(range(len(rows)))
        assert [row["x_px"] for row in rows] == [expected_of(f.image).pupil.x_px for f in shown[: len(rows)]]
        assert not recording.complete
    assert (
        len(
            open_recording(recorder(tmp_path, {"camera-right": ListSource(frames(5))}).run()).samples["right"]
        )
        == 5
    )


def test_a_disk_that_is_full_at_the_start(tmp_path: Path) -> None:
    source = ListSource(frames(5))
    began_s = time.perf_counter()
    with files_up_to(1000), pytest.raises(StorageError, match="Nothing was recorded"):
        recorder(tmp_path, {"camera-right": source}).run()
    assert time.perf_counter() - began_s < 5.0
    assert source.closed


def test_a_report_that_does_not_fit_leaves_nothing_in_the_way(tmp_path: Path) -> None:
    path = tmp_path / "report.pdf"
    with files_up_to(4096), pytest.raises(OSError, match="File too large"):
        write_new(path, b"x" * 10_000)
    assert not path.exists()
    write_new(path, b"x" * 10_000)
    with pytest.raises(FileExistsError):
        write_new(path, b"y")
    assert path.read_bytes() == b"x" * 10_000


def test_tables_that_do_not_fit_leave_nothing_and_name_the_folder_that_was_asked_for(tmp_path: Path) -> None:
    tables = Tables({}, {}, {}, [], {"text": "x" * 10_000})
    folder = tmp_path / "tables"
    with files_up_to(4096), pytest.raises(RecordingError, match="could not be written") as caught:
        write_tables(folder, tables)
    assert f"to {folder} (File too large)" in str(caught.value)
    assert "unfinished" not in str(caught.value)
    assert not list(tmp_path.iterdir())
    write_tables(folder, tables)
    assert (folder / "recording.json").exists()
