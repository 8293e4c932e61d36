from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from recordings import images_file, sealing
from recordings.errors import DamagedError, UnsealedError
from recordings.sealed import Recording, open_recording
from recordings.sealing import seal
from recordings.sealing_process import left_overs, seal_in_child, seal_left_overs
from recordings.verify import verify
from tests.recordings.making import START_S, ListSource, expected_of, frames, recorder

COUNT = 60
SHOWN = {"right": frames(COUNT, 1), "left": frames(COUNT, 2)}
STEPS = (
    "images written", "measurement written", "read back", "images.h5 renamed", "measurement.h5 renamed",
    "folder synced", "sealed", "journal deleted",
)  # fmt: skip
REPORT_S = 0.02
needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork a process")


@pytest.fixture
def unsealed(tmp_path: Path) -> Path:
    """A finished journal that nobody has sealed yet."""
    made = recorder(tmp_path, {f"camera-{eye}": ListSource(shown) for eye, shown in SHOWN.items()})
    made.start()
    made.wait()
    made._running()._owner.release()  # as the system does for a program that died
    assert made.folder is not None
    return made.folder


def assert_everything_is_there(recording: Recording) -> None:
    for eye, shown in SHOWN.items():
        rows = recording.samples[eye]
        assert (rows["time_s"] + START_S).tolist() == pytest.approx([frame.time_s for frame in shown])
        assert rows["x_px"].tolist() == [expected_of(frame.image).pupil.x_px for frame in shown]
        assert all(np.array_equal(recording.image(eye, i), frame.image) for i, frame in enumerate(shown))


def in_fork(work: Callable[[], None]) -> int:
    """Run in a process of its own that may be killed; its signal, or 0."""
    child = os.fork()
    if child == 0:
        work()
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def test_the_steps_come_in_order(unsealed: Path) -> None:
    steps: list[str] = []
    seal_in_child(unsealed, steps.append)
    assert tuple(steps) == STEPS
    assert sorted(path.name for path in unsealed.iterdir()) == ["images.h5", "measurement.h5", "seal.json"]
    with open_recording(unsealed) as recording:
        assert_everything_is_there(recording)
        assert recording.complete


@needs_fork
@pytest.mark.parametrize("last", STEPS)
def test_killed_at_any_step_it_is_finished_by_the_next_call(unsealed: Path, last: str) -> None:
    def kill_after(step: str) -> None:
        if step == last:
            os.kill(os.getpid(), signal.SIGKILL)

    assert in_fork(lambda: seal(unsealed, kill_after)) == -signal.SIGKILL
    if last != "journal deleted":
        seal(unsealed)
    assert verify(unsealed).ok
    assert sorted(path.name for path in unsealed.iterdir()) == ["images.h5", "measurement.h5", "seal.json"]
    with open_recording(unsealed) as recording:
        assert_everything_is_there(recording)


@needs_fork
def test_killed_at_any_moment_it_is_finished_by_the_next_call(unsealed: Path) -> None:
    """Kills drawn over the time that one sealing takes."""
    copies = [unsealed.with_name(f"copy-{i}") for i in range(12)]
    for copy in copies:
        copy.mkdir()
        for path in unsealed.iterdir():
            (copy / path.name).write_bytes(path.read_bytes())
    began_s = time.perf_counter()
    seal(unsealed)
    took_s = time.perf_counter() - began_s
    for i, copy in enumerate(copies):
        child = os.fork()
        if child == 0:
            seal(copy)
            os._exit(0)
        time.sleep(took_s * i / len(copies))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        if (copy / "journal.sqlite").exists():
            seal(copy)
        with open_recording(copy) as recording:
            assert_everything_is_there(recording)


def test_what_was_left_behind_is_found_and_sealed(unsealed: Path) -> None:
    assert left_overs(unsealed.parent) == (unsealed,)
    assert [(left.folder, left.problem) for left in seal_left_overs(unsealed.parent)] == [(unsealed, "")]
    assert seal_left_overs(unsealed.parent) == ()
    assert verify(unsealed).ok


def test_a_recording_that_is_going_on_is_left_alone(tmp_path: Path) -> None:
    made = recorder(tmp_path, {"camera-right": ListSource(frames(3000), endless=True, wait_s=0.002)})
    made.start()
    (left,) = seal_left_overs(tmp_path)
    assert "another program" in left.problem
    made.stop("end")
    with open_recording(made.finish()) as recording:
        assert recording.complete


@needs_fork
def test_a_recorder_that_was_killed_loses_at_most_half_a_second(tmp_path: Path) -> None:
    """Half a second as the recorder lived it: pauses that a busy machine made are added."""
    told, tell = os.pipe()
    child = os.fork()
    if child == 0:
        made = recorder(tmp_path, {"camera-right": ListSource(frames(3000), wait_s=0.002)})
        made.start()
        while not made.wait(REPORT_S):
            os.write(tell, made.frames()[0].to_bytes(4, "little"))
        os._exit(1)
    os.close(tell)
    seen_s, seen = [], []
    while not seen_s or seen_s[-1] - seen_s[0] < 1.2:
        seen.append(int.from_bytes(os.read(told, 4), "little"))
        seen_s.append(time.perf_counter())
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    os.close(told)
    pause_s = sum(max(gap - 2 * REPORT_S, 0.0) for gap in np.diff(seen_s))
    due = np.array(seen_s) <= seen_s[-1] - 0.5 - pause_s
    safe = int(np.array(seen)[due].max(initial=1))
    (left,) = seal_left_overs(tmp_path)
    with open_recording(left.folder) as recording:
        rows = recording.samples["right"]
        assert len(rows) >= safe
        assert rows["frame"].tolist() == list(range(len(rows)))
        assert not recording.complete
        assert "recovered" in recording.info.ending
        for i in range(len(rows)):
            assert rows["x_px"][i] == expected_of(recording.image("right", i)).pupil.x_px


def test_a_disk_that_gives_back_something_else_is_noticed(
    unsealed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = images_file._write_camera

    def write_wrongly(group, camera):  # type: ignore[no-untyped-def]
        sums = write(group, camera)
        group["bytes"][10] ^= 1
        return sums

    monkeypatch.setattr(images_file, "_write_camera", write_wrongly)
    with pytest.raises(DamagedError, match="reads back differently"):
        seal(unsealed)
    assert not (unsealed / "seal.json").exists()
    monkeypatch.undo()
    seal(unsealed)
    with open_recording(unsealed) as recording:
        assert_everything_is_there(recording)


def test_a_full_disk_keeps_the_journal_and_seals_later(unsealed: Path) -> None:
    """The child may write at most 64 KiB to a file: its HDF5 files do not fit."""
    resource = pytest.importorskip("resource", reason="this system knows no limit of a file's size")
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1 << 16, limits[1]))
    try:
        with pytest.raises(UnsealedError, match="safe in its journal"):
            seal_in_child(unsealed)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert [path.name for path in unsealed.iterdir() if path.suffix == ".new"] == []
    seal_in_child(unsealed)
    with open_recording(unsealed) as recording:
        assert_everything_is_there(recording)


def test_nothing_is_removed_where_there_is_no_journal(unsealed: Path) -> None:
    seal(unsealed)
    with pytest.raises(DamagedError, match="no journal"):
        sealing.clear_unsealed(unsealed)
    assert verify(unsealed).ok


def test_a_recording_without_a_frame_is_sealed_all_the_same(tmp_path: Path) -> None:
    made = recorder(tmp_path, {"camera-right": ListSource([], error="no picture came")})
    with open_recording(made.run()) as recording:
        assert len(recording.samples["right"]) == 0
        assert recording.info.ending == "camera-right could not be read to its end"
