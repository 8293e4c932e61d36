"""The goggles that were used on this machine: files of their profiles, the last used one first.

Remembered in the user's configuration, so that a technician chooses goggles in the window and types no path.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from datetime import date
from pathlib import Path

import msgspec

from capture.errors import ProfileError
from capture.light_gate import light_gate
from recordings.commands import GogglesPlan
from ui.known_profiles import profile_warnings, remember_profile
from ui.live_sources import choose_sources
from ui.visit.goggles import Goggles

MOST = 20  # files that are remembered
SIZE_LIMIT = 1 << 16  # of the file; a longer one is not ours


def goggles_file() -> Path:
    """Where they are remembered."""
    import platformdirs  # only for the window and live recordings

    return platformdirs.user_config_path("driftbeat", appauthor=False) / "goggles.json"


def remember_goggles(profile_file: Path) -> None:
    """Remember that this profile was used now; where that fails it is not listed the next time."""
    used = str(profile_file.resolve())
    files = [used, *(str(file) for file in _files() if str(file) != used)]
    store = goggles_file()
    unfinished = store.with_name(store.name + ".new")
    with suppress(OSError):
        store.parent.mkdir(parents=True, exist_ok=True)
        unfinished.write_bytes(msgspec.json.encode(files[:MOST]))
        unfinished.replace(store)


def take_up(goggles: Goggles) -> list[str]:
    """Remember that these are used from now on; what to say about their profile."""
    if goggles.file is None or goggles.plan is None:
        return []
    profile, data = goggles.plan.profile, goggles.plan.data_folder
    light = light_gate(profile, goggles.plan.clinic_limit_w_m2).reason
    lines = [*profile_warnings(profile, data, date.today()), *([light] if light else [])]
    remember_profile(profile, data)
    remember_goggles(goggles.file)
    return lines


def known_goggles(usual: GogglesPlan) -> tuple[Goggles, ...]:
    """All that are remembered, the last used first, each with `usual`'s data folder and limit of light.

    A profile that cannot be read is listed with the reason, one whose file is gone is not.
    """
    return tuple(_known(file, usual) for file in _files() if file.exists())


def _known(file: Path, usual: GogglesPlan) -> Goggles:
    try:
        profile, sources = choose_sources(file, None, None, None)
    except ProfileError as error:
        return Goggles(file.name, None, file, str(error))
    plan = replace(usual, profile=profile, sources=sources)
    return Goggles(profile.name, plan, file)


def _files() -> list[Path]:
    try:
        store = goggles_file()
        if store.stat().st_size > SIZE_LIMIT:
            return []
        return [Path(text) for text in msgspec.json.decode(store.read_bytes(), type=list[str])]
    except (OSError, ValueError):
        return []
