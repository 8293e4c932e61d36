"""Power cuts all over the traced writes of a journal and of a sealing: nothing acknowledged is lost."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from capture.samples import NAN, NO_PUPIL, Frame, Tracked
from recordings.errors import DamagedError
from recordings.journal import FinishedJournal, ImageRow, SampleRow, pack_sample
from recordings.sealed import open_recording
from recordings.sealing import seal
from recordings.verify import verify
from tests.faults.disk_trace import Cut, Step, crash, needs_strace, trace
from tests.recordings.test_sealing import assert_everything_is_there, unsealed

__all__ = ["unsealed"]  # a fixture

COMMITS, ROWS = 30, 8
CUTS: tuple[Cut, Cut, Cut] = ("ordered", "torn", "drop")
# A checkpoint each 24 pages instead of 256, so that a short trace holds several.
WRITE = """
import os, sys
from pathlib import Path
from recordings import journal
from tests.faults.test_power_cut import COMMITS, ROWS, rows_of
from tests.recordings.making import OPENING

journal.PRAGMAS = tuple(p.replace("256", "24") for p in journal.PRAGMAS)
made = journal.Journal(Path(sys.argv[1]), OPENING, {})
os.write(1, b"0\\n")
for commit in range(COMMITS):
    made.add(*rows_of(commit))
    made.commit()
    os.write(1, b"%d\\n" % (commit + 1))
os._exit(0)
"""
SEAL = """
import os, sys
from pathlib import Path
from recordings.sealing import seal
seal(Path(sys.argv[1]))
os._exit(0)
"""


def rows_of(commit: int) -> tuple[list[SampleRow], list[ImageRow]]:
    """Samples and pictures of one commit, each known by its number."""
    samples, images = [], []
    for number in range(commit * ROWS, (commit + 1) * ROWS):
        frame = Frame(number, number / 250, NAN, np.zeros((2, 2), np.uint8))
        samples.append(pack_sample("right", frame, Tracked(NO_PUPIL._replace(x_px=number), NAN, 0.0)))
        images.append(ImageRow(0, number, np.random.default_rng(number).bytes(6000)))
    return samples, images


def cuts_of(steps: list[Step], count: int) -> list[tuple[Cut, int]]:
    """Places evenly over the whole trace, for each kind of cut."""
    return [(cut, round((n + 0.5) / count * len(steps))) for cut in CUTS for n in range(count)]


def check_journal(folder: Path, told: bytes) -> None:
    acknowledged = int(told.split()[-1]) if told else -1
    try:
        journal = FinishedJournal(folder)
    except DamagedError:
        assert acknowledged < 0, "an acknowledged journal cannot be read"
        return
    try:
        rows = journal.samples("right")
        assert len(rows) % ROWS == 0
        assert len(rows) >= acknowledged * ROWS
        assert rows["x_px"].tolist() == rows["frame"].tolist() == list(range(len(rows)))
        images = dict(journal.images(0))
        assert images == {row.frame: row.bytes for n in range(len(rows) // ROWS) for row in rows_of(n)[1]}
    finally:
        journal.close()
    database = sqlite3.connect(folder / "journal.sqlite")
    assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    database.close()


def cut_journal(tmp_path: Path, count: int) -> None:
    needs_strace()
    (folder := tmp_path / "traced").mkdir()
    steps = trace(WRITE, folder)
    assert sum(step.kind == "told" for step in steps) == COMMITS + 1
    assert any(step.kind == "write" and step.name == "journal.sqlite" for step in steps[len(steps) // 2 :])
    random = np.random.default_rng(4)
    for cut, at in cuts_of(steps, count):
        into = tmp_path / "image"
        check_journal(into, crash(steps, {}, at, cut, random, into))
        shutil.rmtree(into)


def cut_sealing(tmp_path: Path, unsealed: Path, count: int, check: Callable[[Path], None]) -> None:
    needs_strace()
    before = {path.name: path.read_bytes() for path in unsealed.iterdir()}
    steps = trace(SEAL, unsealed)
    assert {step.target for step in steps} >= {"images.h5", "measurement.h5", "seal.json"}
    random = np.random.default_rng(5)
    for cut, at in cuts_of(steps, count):
        into = tmp_path / "image"
        crash(steps, before, at, cut, random, into)
        if (into / "journal.sqlite").exists():
            seal(into)
        check(into)
        shutil.rmtree(into)


def test_power_cuts_while_recording(tmp_path: Path) -> None:
    cut_journal(tmp_path, 30)


def test_power_cuts_while_sealing(tmp_path: Path, unsealed: Path) -> None:
    cut_sealing(tmp_path, unsealed, 8, check_sealed)


@pytest.mark.release
@pytest.mark.timeout(3600)
def test_four_hundred_power_cuts_of_each_kind(tmp_path: Path, unsealed: Path) -> None:
    cut_journal(tmp_path, 400)
    cut_sealing(tmp_path, unsealed, 400, check_sealed)


def check_sealed(folder: Path) -> None:
    assert verify(folder).ok
    with open_recording(folder) as recording:
        assert_everything_is_there(recording)
