"""What one process writes another reads: newest, last, committed."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import numpy as np
import pytest

from capture.samples import NAN, NO_PUPIL, Eye, Frame, Tracked
from recordings.journal import SampleRow, pack_sample
from recordings.journal_thread import Committed
from recordings.shared_samples import CommittedRows, SharedReader, SharedWriter
from recordings.status import Status

SIZES: dict[Eye, tuple[int, int]] = {"right": (31, 17), "left": (64, 48)}


@pytest.fixture
def both() -> Iterator[tuple[SharedWriter, SharedReader]]:
    writer = SharedWriter(SIZES, {"right": 0, "left": 1})
    reader = SharedReader(writer.plan)
    yield writer, reader
    reader.close()
    writer.close()


def frame(number: int, eye: Eye = "right") -> Frame:
    width, height = SIZES[eye]
    image = np.full((height, width), number % 256, np.uint8)
    return Frame(number, number / 250, NAN, image)


def sample(number: int, eye: Eye = "right") -> SampleRow:
    return pack_sample(eye, frame(number, eye), Tracked(NO_PUPIL._replace(x_px=number * 2.0), NAN, 0.0))


def test_nothing_is_there_before_the_first(both: tuple[SharedWriter, SharedReader]) -> None:
    _, reader = both
    assert (reader.picture("left"), reader.status(), reader.written("right")) == (None, None, 0)
    assert reader.committed("left") == CommittedRows(0, -1, -1)
    assert reader.samples("right")[1] == 0


def test_samples_come_in_order_and_each_once(both: tuple[SharedWriter, SharedReader]) -> None:
    writer, reader = both
    seen, after = [], 0
    for number in range(12_000):
        writer.sample(sample(number))
        if number % 1700 == 0:
            rows, after = reader.samples("right", after)
            seen += rows["frame"].tolist()
            assert rows["x_px"].tolist() == [2.0 * n for n in rows["frame"]]
    rows, _ = reader.samples("right", after)
    assert seen + rows["frame"].tolist() == list(range(12_000))
    assert reader.written("left") == 0


def test_who_comes_late_gets_the_last_ones(both: tuple[SharedWriter, SharedReader]) -> None:
    writer, reader = both
    for number in range(7_000):
        writer.sample(sample(number))
    rows, end = reader.samples("right", 100)
    assert end == 7_000
    assert rows["frame"].tolist() == list(range(2_001, 7_000))  # the oldest may just be written over


def test_a_picture_is_never_of_two(both: tuple[SharedWriter, SharedReader]) -> None:
    """Read while another thread writes: every pixel is of the frame that it says."""
    writer, reader = both
    stop = threading.Event()

    def write() -> None:
        number = 0
        while not stop.is_set():
            writer.picture(("left",), frame(number, "left"))
            number += 1

    thread = threading.Thread(target=write)
    thread.start()
    try:
        seen = 0
        while seen < 300:
            picture = reader.picture("left")
            if picture is not None:
                seen += 1
                assert (picture.image == picture.frame % 256).all()
                assert picture.image.shape == (48, 64)
                assert picture.time_s == picture.frame / 250
    finally:
        stop.set()
        thread.join()


def test_what_is_committed_is_told_for_each_eye(both: tuple[SharedWriter, SharedReader]) -> None:
    writer, reader = both
    writer.committed(Committed({"right": 5, "left": 7}, {"right": 14, "left": 16}, {0: 13}, 0.0))
    assert reader.committed("right") == CommittedRows(5, 14, 13)
    assert reader.committed("left") == CommittedRows(7, 16, -1)


def test_status_crosses_as_it_is(both: tuple[SharedWriter, SharedReader]) -> None:
    writer, reader = both
    for state in ("ready", "recording"):
        status = Status(state, 5.0, (), problems=("नेत्र",))
        writer.status(status)
        assert reader.status() == status
