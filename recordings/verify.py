"""Proof that a recording is what was sealed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from recordings.errors import NotOursError, UnsealedError
from recordings.layout import IMAGES, JOURNAL, SEAL, sealing_command
from recordings.seal import Seal, read_seal

FileState = Literal["unchanged", "withdrawn", "changed", "missing"]


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """Each file of a recording against its seal."""

    id: str
    sealed_utc: str
    complete: bool
    files: dict[str, FileState]
    differences: tuple[str, ...]  # in words; empty when all is well

    @property
    def ok(self) -> bool:
        """Whether nothing differs from the seal; withdrawn pictures are no difference."""
        return not self.differences


def verify(folder: Path) -> VerifyReport:
    """Hash both files again and compare them with the seal.

    Raises UnsealedError where there is no seal yet, NotOursError where there never was a recording, and
    DamagedError where the seal itself cannot be read.
    """
    if not (folder / SEAL).exists():
        if (folder / JOURNAL).exists():
            raise UnsealedError(
                f"{folder} is not sealed yet. Its samples are safe. Seal it with: {sealing_command(folder)}"
            )
        raise NotOursError(f"{folder} is not a sealed recording of Driftbeat: there is no {SEAL} in it.")
    seal = read_seal(folder)
    different = {name: seal.difference(folder / name) for name in seal.files}
    states: dict[str, FileState] = {
        name: _state(seal, folder / name, text) for name, text in different.items()
    }
    return VerifyReport(
        seal.id, seal.sealed_utc, seal.complete, states, tuple(filter(None, different.values()))
    )


def _state(seal: Seal, path: Path, different: str) -> FileState:
    if not path.exists():
        return "withdrawn" if path.name == IMAGES else "missing"
    return "changed" if different else "unchanged"
