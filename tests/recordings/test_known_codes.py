"""Codes of the patients of a data folder."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np

from recordings.known_codes import known_codes


def _recording(data: Path, name: str, code: str, *, training: bool = False) -> None:
    (data / name).mkdir()
    with h5py.File(data / name / "measurement.h5", "w") as file:
        file.attrs["patient_code"], file.attrs["training"] = np.bytes_(code.encode()), np.uint8(training)


def test_codes_of_real_patients_and_of_files_that_can_be_read(tmp_path: Path) -> None:
    assert known_codes(tmp_path / "missing") == frozenset()
    _recording(tmp_path, "a", "HL-0007")
    _recording(tmp_path, "b", "रोगी-७")
    _recording(tmp_path, "c", "HL-0009", training=True)
    _recording(tmp_path, "d", "")
    (tmp_path / "e").mkdir()
    (tmp_path / "e" / "measurement.h5").write_bytes(b"torn")
    assert known_codes(tmp_path) == {"HL-0007", "रोगी-७"}
