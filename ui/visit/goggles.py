"""Goggles that can be chosen for a visit."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from recordings.commands import GogglesPlan

NONE_KNOWN = (
    "No goggles are known on this computer. Ask the engineer for the file of their profile, close the window "
    "and start once with: driftbeat visit --profile FILE. Practice needs none: page Training."
)


@dataclass(frozen=True, slots=True)
class Goggles:
    """One pair, or one camera."""

    name: str  # as it is listed
    plan: GogglesPlan | None  # None: they cannot be used
    file: Path | None = None  # of their profile
    problem: str = ""  # why they cannot be used, in words


def listed(goggles: tuple[Goggles, ...]) -> dict[str, Goggles]:
    """By the name that a person chooses from; those that share a name are told apart by their files."""
    names = [one.name for one in goggles]
    return {
        one.name if names.count(one.name) == 1 or one.file is None else f"{one.name} ({one.file})": one
        for one in goggles
    }
