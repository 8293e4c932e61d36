from __future__ import annotations

import json
import random
from pathlib import Path

import pytest

from recordings.errors import DamagedError, NewerFormatError, NotOursError, UnsealedError
from recordings.sealed import open_recording
from recordings.verify import verify
from tests.recordings.making import flip_bit, seal_of


def test_an_untouched_recording_is_unchanged(sealed_once: Path) -> None:
    report = verify(sealed_once)
    assert report.ok
    assert report.complete
    assert report.id == sealed_once.name
    assert report.files == {"measurement.h5": "unchanged", "images.h5": "unchanged"}


@pytest.mark.parametrize("name", ["measurement.h5", "images.h5"])
def test_every_flipped_bit_is_found(folder: Path, name: str) -> None:
    """Each of 200 places, drawn evenly from the whole file, one at a time."""
    path = folder / name
    places = random.Random(7).sample(range(8 * path.stat().st_size), 200)
    for place in places:
        flip_bit(path, place)
        report = verify(folder)
        assert report.files[name] == "changed"
        assert not report.ok
        flip_bit(path, place)
    assert verify(folder).ok


def test_a_measurement_that_does_not_fit_its_seal_is_not_read(folder: Path) -> None:
    flip_bit(folder / "measurement.h5", 8 * (folder / "measurement.h5").stat().st_size // 2)
    with pytest.raises(DamagedError, match="changed or damaged"):
        open_recording(folder)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.99])
@pytest.mark.parametrize("name", ["measurement.h5", "images.h5"])
def test_a_cut_file_is_refused(folder: Path, name: str, share: float) -> None:
    path = folder / name
    path.write_bytes(path.read_bytes()[: int(share * path.stat().st_size)])
    assert verify(folder).files[name] == "changed"
    with pytest.raises(DamagedError, match=name):
        open_recording(folder)


def test_withdrawn_pictures_are_no_damage(folder: Path) -> None:
    (folder / "images.h5").unlink()
    report = verify(folder)
    assert report.ok
    assert report.files == {"measurement.h5": "unchanged", "images.h5": "withdrawn"}


def test_a_missing_measurement_is_damage(folder: Path) -> None:
    (folder / "measurement.h5").unlink()
    report = verify(folder)
    assert report.files["measurement.h5"] == "missing"
    assert not report.ok
    with pytest.raises(DamagedError, match="missing"):
        open_recording(folder)


def test_pictures_of_another_recording_are_refused(folder: Path) -> None:
    (folder / "images.h5").write_bytes(b"other pictures")
    with pytest.raises(DamagedError, match=r"images\.h5"):
        open_recording(folder)


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "{}", '{"version": 1}', '{"version": "x"}', "null", "\xff"],
)
def test_a_seal_that_cannot_be_read_is_damage(folder: Path, text: str) -> None:
    (folder / "seal.json").write_text(text, encoding="latin-1")
    for look in (verify, open_recording):
        with pytest.raises(DamagedError, match=r"seal\.json"):
            look(folder)


def test_a_seal_that_names_other_files_is_damage(folder: Path) -> None:
    seal = seal_of(folder)
    seal["files"]["../../etc/passwd"] = seal["files"]["images.h5"]
    (folder / "seal.json").write_text(json.dumps(seal))
    with pytest.raises(DamagedError, match="does not name"):
        verify(folder)


def test_a_seal_of_another_recording_is_refused(folder: Path) -> None:
    (folder / "seal.json").write_text(json.dumps({**seal_of(folder), "id": "another"}))
    with pytest.raises(DamagedError, match="another recording"):
        open_recording(folder)


def test_a_newer_seal_is_newer_not_damaged(folder: Path) -> None:
    (folder / "seal.json").write_text(json.dumps({**seal_of(folder), "version": 2}))
    with pytest.raises(NewerFormatError):
        verify(folder)


def test_no_seal_is_unsealed_or_not_ours(folder: Path) -> None:
    (folder / "seal.json").unlink()
    with pytest.raises(NotOursError):
        verify(folder)
    (folder / "journal.sqlite").touch()
    with pytest.raises(UnsealedError):
        verify(folder)
