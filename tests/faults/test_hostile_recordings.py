"""Recordings from elsewhere that mean harm or are broken: refused by name, nothing of them read."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest

from recordings import gate
from recordings.errors import DamagedError, HostileFileError, NotOursError, RecordingError
from recordings.sealed import open_recording
from tests.faults.hostile_files import HARMLESS, SECRET, TRAPS, write_secret
from tests.recordings.making import ListSource, flip_bit, frames, recorder, reseal


@pytest.fixture(scope="module")
def ours(tmp_path_factory: pytest.TempPathFactory) -> Path:
    sources = {"camera-right": ListSource(frames(30, 1)), "camera-left": ListSource(frames(30, 2))}
    return recorder(tmp_path_factory.mktemp("ours"), sources).run()


@pytest.fixture
def folder(ours: Path, tmp_path: Path) -> Path:
    copy = tmp_path / "copy"
    copy.mkdir()
    for path in ours.iterdir():
        (copy / path.name).write_bytes(path.read_bytes())
    return copy


def spoil(folder: Path, trap: Callable[[h5py.File, Path], None]) -> Path:
    path = folder / "measurement.h5"
    with h5py.File(path, "r+") as file:
        trap(file, write_secret(folder / "secret.txt"))
    return path


@pytest.mark.parametrize("trap", [t for t in TRAPS if t not in HARMLESS], ids=lambda trap: trap.__name__)
def test_the_gate_refuses_every_trap(folder: Path, trap: Callable[[h5py.File, Path], None]) -> None:
    with pytest.raises(HostileFileError) as caught:
        gate.check(spoil(folder, trap))
    assert "No recording of ours looks like that" in str(caught.value)
    assert SECRET not in str(caught.value)


@pytest.mark.parametrize("trap", [t for t in TRAPS if t not in HARMLESS], ids=lambda trap: trap.__name__)
def test_a_seal_made_to_fit_opens_no_trap(folder: Path, trap: Callable[[h5py.File, Path], None]) -> None:
    spoil(folder, trap)
    reseal(folder)
    with pytest.raises(HostileFileError):
        open_recording(folder)


def test_a_circle_of_groups_leads_nowhere(folder: Path) -> None:
    (cycle,) = HARMLESS
    gate.check(spoil(folder, cycle))
    reseal(folder)
    assert len(open_recording(folder).samples["right"]) == 30


@pytest.mark.parametrize("name", ["external_storage", "huge", "bomb"])
def test_a_file_from_elsewhere_is_refused_by_the_process_that_reads_it(folder: Path, name: str) -> None:
    (folder / "seal.json").unlink()
    spoil(folder, next(trap for trap in TRAPS if trap.__name__ == name))
    with pytest.raises(HostileFileError, match="was not read") as caught:
        open_recording(folder)
    assert SECRET not in str(caught.value)


def test_a_trap_behind_the_pictures_is_refused_too(folder: Path) -> None:
    with h5py.File(folder / "images.h5", "r+") as file:
        del file["eyes/right/bytes"]
        file["eyes/right/bytes"] = h5py.ExternalLink("secret.h5", "/secret")
    reseal(folder)
    with open_recording(folder) as recording, pytest.raises(HostileFileError):
        recording.image("right", 0)


def test_a_file_that_is_too_large_is_not_opened(folder: Path) -> None:
    with pytest.raises(HostileFileError, match="bytes"):
        gate.check(folder / "measurement.h5", gate.GateLimits(file_bytes=1000))


@pytest.mark.parametrize(
    "content", [b"", b"\x89HDF\r\n\x1a\n", b"\x89HDF\r\n\x1a\n" + b"\xff" * 4000, b"text"]
)
def test_what_is_hardly_a_file_is_refused(folder: Path, content: bytes) -> None:
    path = folder / "measurement.h5"
    path.write_bytes(content)
    with pytest.raises(HostileFileError):
        gate.check(path)
    (folder / "seal.json").unlink()
    with pytest.raises(DamagedError):
        open_recording(folder)


def test_cut_files_are_refused_quickly(folder: Path) -> None:
    path = folder / "measurement.h5"
    content = path.read_bytes()
    for length in random.Random(3).sample(range(len(content)), 40):
        path.write_bytes(content[:length])
        began_s = time.perf_counter()
        with pytest.raises(HostileFileError):
            gate.check(path)
        assert time.perf_counter() - began_s < 5.0


def test_a_process_that_takes_too_long_is_ended(folder: Path) -> None:
    with pytest.raises(HostileFileError, match="took more than"):
        gate.rewrite_clean(folder / "measurement.h5", folder / "clean.h5", gate.ChildLimits(wall_s=0.05))


@pytest.mark.release
def test_flipped_bits_in_a_file_from_elsewhere_harm_nobody(folder: Path) -> None:
    """One bit at a time, no seal: refused, or read as a whole recording; never a crash of this process."""
    (folder / "seal.json").unlink()
    path = folder / "measurement.h5"
    for place in random.Random(5).sample(range(8 * path.stat().st_size), 40):
        flip_bit(path, place)
        try:
            found = len(open_recording(folder).samples["right"])
        except RecordingError:
            found = 30  # refused
        assert found == 30
        flip_bit(path, place)


def test_a_lone_file_that_is_not_ours_is_not_ours(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "other.h5", "x") as file:
        file.attrs["format"] = np.bytes_("something else")
    with pytest.raises(NotOursError):
        open_recording(tmp_path / "other.h5")
