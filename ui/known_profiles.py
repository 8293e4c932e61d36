"""Notices a goggle profile that was edited since it was last used: that may change every result."""

from __future__ import annotations

import json
from contextlib import suppress
from datetime import date
from pathlib import Path

from capture.profile import GoggleProfile

KNOWN = "known-profiles.json"


def profile_warnings(profile: GoggleProfile, data_folder: Path, today: date) -> list[str]:
    """What to say about a profile before it is used."""
    known = _read(data_folder)
    lines = []
    if known.get(profile.name, profile.sha256()) != profile.sha256():
        lines.append(
            f"The goggle profile {profile.name} was changed since its last recording. Check mirror, "
            "rotation, eyes and scale; every calibration made before is void."
        )
    if profile.expires_on and profile.expires_on < today.isoformat():
        lines.append(f"The goggle profile {profile.name} expired on {profile.expires_on}. Have it checked.")
    return lines


def remember_profile(profile: GoggleProfile, data_folder: Path) -> None:
    """Remember the profile as it is now; where that fails it is warned of once more."""
    known = {**_read(data_folder), profile.name: profile.sha256()}
    unfinished = data_folder / (KNOWN + ".new")
    with suppress(OSError):
        unfinished.write_text(json.dumps(known, indent=1), encoding="utf-8")
        unfinished.replace(data_folder / KNOWN)


def _read(data_folder: Path) -> dict[str, str]:
    try:
        known = json.loads((data_folder / KNOWN).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return known if isinstance(known, dict) else {}
