"""The first start: where recordings are kept, asked once and remembered, and a word about disk encryption."""

from __future__ import annotations

import os
import sys
import tomllib
from pathlib import Path

import click

ENCRYPTION = (
    "Recordings hold pictures of eyes, and an iris identifies a person. Driftbeat does not encrypt them: "
    "keep this folder on an encrypted disk (LUKS, BitLocker or FileVault) and its backups too."
)


def settings_file() -> Path:
    """Where the choice is remembered."""
    import platformdirs  # needed in few cases

    return platformdirs.user_config_path("driftbeat", appauthor=False) / "settings.toml"


def remembered_folder() -> Path | None:
    """The data folder that was chosen; None before the first choice or where the file cannot be read."""
    try:
        return Path(tomllib.loads(settings_file().read_text(encoding="utf-8"))["data_folder"])
    except (OSError, KeyError, TypeError, tomllib.TOMLDecodeError, UnicodeDecodeError):
        return None


def choose_data_folder(default: Path) -> Path:
    """The data folder: remembered, else asked for at a terminal, else `default`; the choice is remembered."""
    if os.environ.get("DRIFTBEAT_DATA"):
        return default
    if (known := remembered_folder()) is not None:
        return known
    folder = default
    if sys.stdin.isatty():
        click.echo("This is the first recording on this computer.", err=True)
        folder = Path(click.prompt("Keep recordings in", default=str(default), err=True)).expanduser()
    click.echo(f"Recordings are kept in {folder}. {ENCRYPTION}", err=True)
    _remember(folder.resolve())
    return folder.resolve()


def _remember(folder: Path) -> None:
    file = settings_file()
    text = str(folder).replace("\\", "\\\\").replace('"', '\\"')
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(f'data_folder = "{text}"\n', encoding="utf-8")
    except OSError as error:
        click.echo(f"The choice could not be remembered ({error.strerror}).", err=True)
