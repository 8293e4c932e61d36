"""Patient codes of the recordings in a data folder."""

from __future__ import annotations

from pathlib import Path

import h5py

from recordings.layout import MEASUREMENT


def known_codes(data_folder: Path) -> frozenset[str]:
    """Codes of real patients in sealed recordings; what cannot be read is left out. May take seconds."""
    found = set[str]()
    for file in data_folder.glob(f"*/{MEASUREMENT}"):
        try:
            with h5py.File(file, "r") as opened:
                code, training = opened.attrs.get("patient_code", b""), opened.attrs.get("training", 0)
        except OSError:
            continue
        if not training:
            found.add(code.decode("utf-8") if isinstance(code, bytes) else str(code))
    return frozenset(found - {""})
