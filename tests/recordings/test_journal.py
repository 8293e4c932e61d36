from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from capture.samples import Target
from recordings.errors import DamagedError, UnsealedError
from recordings.event import Event
from recordings.info import RECOVERED, Ending
from recordings.journal import FinishedJournal, ImageRow, Journal, pack_sample
from tests.recordings.making import OPENING, TRACKED, frame


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    made = Journal(tmp_path, OPENING, {"left": b"{}"})
    yield made
    made.close()


def test_what_goes_in_comes_out(journal: Journal, tmp_path: Path) -> None:
    journal.add(
        [pack_sample("right", frame(0), TRACKED), pack_sample("left", frame(0), TRACKED)],
        [ImageRow(0, 0, b"one"), ImageRow(1, 0, b"two")],
    )
    journal.add([pack_sample("right", frame(1), TRACKED)], [ImageRow(0, 1, b"three")])
    journal.add_target(Target(1.0, 2.0, -3.0, 4.0))
    journal.add_event(Event(1.0, 1.5, "note", "ü"))
    journal.end(Ending(True, ""))
    journal.commit()
    journal.close()
    read = FinishedJournal(tmp_path)
    rows = read.samples("right")
    assert rows["frame"].tolist() == [0, 1]
    assert rows["time_s"].tolist() == [5.0, 6.0]
    assert rows["repeated"].tolist() == [0, 1]
    assert rows[["x_px", "y_px", "major_px", "minor_px", "angle_deg", "visible_share", "pupil_quality"]][
        1
    ].tolist() == tuple(TRACKED.pupil)
    assert rows["rotation_deg"].tolist() == [-7.5, -7.5]
    assert rows[["glint_x_px", "glint_y_px", "glint_count"]][0].tolist() == (1.5, 2.5, 3.0)
    for missing in ("device_time_s", "torsion_quality", "horizontal_deg", "vertical_deg", "torsional_deg"):
        assert np.isnan(rows[missing]).all()
    assert len(read.samples("left")) == 1
    assert list(read.images(0)) == [(0, b"one"), (1, b"three")]
    assert read.image_sizes(1) == {0: 3}
    assert read.targets() == (Target(1.0, 2.0, -3.0, 4.0),)
    assert read.events() == (Event(1.0, 1.5, "note", "ü"),)
    assert (read.opening, read.ending) == (OPENING, Ending(True, ""))
    assert (read.calibration("left"), read.calibration("right")) == (b"{}", None)
    read.close()


def test_a_journal_that_an_older_version_left_is_read(journal: Journal, tmp_path: Path) -> None:
    """Its rows end before the reflection on the cornea: 121 bytes, as in formats 1.0 to 1.2."""
    row = pack_sample("right", frame(0), TRACKED)
    journal.add([row._replace(row=row.row[:121])] * 2, [])
    journal.commit()
    journal.close()
    read = FinishedJournal(tmp_path)
    rows = read.samples("right")
    read.close()
    assert rows["rotation_deg"].tolist() == [-7.5, -7.5]
    assert np.isnan(rows["torsional_deg"]).all()
    assert np.isnan(rows["glint_x_px"]).all()
    assert np.isnan(rows["glint_count"]).all()


def test_what_was_not_committed_is_not_there(journal: Journal, tmp_path: Path) -> None:
    journal.add([pack_sample("right", frame(0), TRACKED)], [])
    journal.commit()
    journal.add([pack_sample("right", frame(1), TRACKED)], [])
    journal.close()
    read = FinishedJournal(tmp_path)
    assert read.samples("right")["frame"].tolist() == [0]
    assert read.ending == RECOVERED
    read.close()


def test_a_journal_in_use_has_one_owner(journal: Journal, tmp_path: Path) -> None:
    with pytest.raises(UnsealedError, match="another program"):
        FinishedJournal(tmp_path)


def test_a_second_journal_in_one_folder_is_refused(journal: Journal, tmp_path: Path) -> None:
    with pytest.raises(sqlite3.OperationalError):
        Journal(tmp_path, OPENING, {})


@pytest.mark.parametrize("content", [b"", b"no database at all" * 100])
def test_what_is_no_journal_is_damaged(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "journal.sqlite").write_bytes(content)
    with pytest.raises(DamagedError, match=r"journal\.sqlite"):
        FinishedJournal(tmp_path)


def test_a_missing_journal_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(DamagedError, match="no journal"):
        FinishedJournal(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_deleting_leaves_nothing(journal: Journal, tmp_path: Path) -> None:
    journal.close()
    FinishedJournal(tmp_path).delete()
    assert list(tmp_path.iterdir()) == []
