"""Keys taught by pressing them: a foot switch, a presenter's clicker. They act as keys of the window.

Remembered in the user's configuration. Only keys that the window itself does not need can be taught, so no
foot ever does what nobody meant.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import NamedTuple

import msgspec

LONGEST = 40  # letters of a key's name
SIZE_LIMIT = 1 << 16  # of the file; a longer one is not ours


class Role(NamedTuple):
    """A key of the window that others can stand for."""

    key: str
    name: str


ROLES = (
    Role("Space", "Main key: reached, said so, on, begin"),
    Role("Esc", "STOP"),
    Role("R", "Again"),
    Role("N", "End the step now; no"),
    Role("B", "Previous step"),
    Role("M", "Marker"),
)
# What the window needs for itself: letters and figures are typed into fields, the others move in pages.
MOVING = {"Return", "Tab", "Backtab", "Up", "Down", "Left", "Right", "Home", "End", "Backspace", "Del"}
PAGES = {f"F{n}" for n in range(1, 13)}
NAMELESS = {"", "Shift", "Ctrl", "Control", "Alt", "AltGr", "Meta", "CapsLock", "NumLock", "ScrollLock"}


class _Stored(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The file."""

    taught: dict[str, str]  # key that is pressed: key of the window


class Keys:
    """What was taught. `aliases` is one dict for good; the window looks into it."""

    def __init__(self, file: Path | None = None) -> None:
        """`file`: where it is remembered; None: nowhere."""
        self.aliases: dict[str, str] = {}
        self.problem = ""  # with the file, in words
        self._file = file
        if file is not None and file.exists():
            self._read(file)

    def taught(self, role: Role) -> tuple[str, ...]:
        """The keys that stand for this one."""
        return tuple(pressed for pressed, key in self.aliases.items() if key == role.key)

    def refusal(self, pressed: str, role: Role) -> str:
        """Why a key cannot be taught, in words; empty when it can."""
        if pressed in NAMELESS or not pressed.isprintable() or len(pressed) > LONGEST:
            return "This key has no name that can be kept. Press another."
        if pressed in PAGES:
            return f"{pressed} turns pages and sets sound and brightness. Set the switch to another key."
        if pressed == "Space" or pressed == "Esc" or pressed in MOVING:
            return f"{pressed} is needed in the window itself. Set the switch to another key, such as PgDown."
        if len(pressed) == 1 and pressed.isalnum():
            return f"{pressed} is typed into fields. Set the switch to another key, such as PgDown."
        taken = self.aliases.get(pressed, role.key)
        if taken != role.key:
            name = next(one.name for one in ROLES if one.key == taken)
            return f"{pressed} already stands for “{name}”. Forget it there first, or press another."
        return ""

    def teach(self, pressed: str, role: Role) -> str:
        """From now on `pressed` acts as the role's key; why not, in words, where it cannot."""
        why = self.refusal(pressed, role)
        if not why:
            self.aliases[pressed] = role.key
            self._write()
        return why

    def forget(self, role: Role) -> None:
        """No other key stands for this one any more."""
        for pressed in self.taught(role):
            del self.aliases[pressed]
        self._write()

    def _read(self, file: Path) -> None:
        roles = {role.key: role for role in ROLES}
        try:
            if file.stat().st_size > SIZE_LIMIT:
                raise ValueError("too long")
            stored = msgspec.json.decode(file.read_bytes(), type=_Stored)
        except (OSError, ValueError) as error:
            self.problem = f"The taught keys cannot be read ({type(error).__name__}). Teach them again."
            return
        for pressed, key in stored.taught.items():
            if key in roles and not self.refusal(pressed, roles[key]):
                self.aliases[pressed] = key

    def _write(self) -> None:
        """All of it or nothing: a torn file would leave a foot switch dead at the next start."""
        if self._file is None:
            return
        unfinished = self._file.with_name(self._file.name + ".new")
        try:
            self._file.parent.mkdir(parents=True, exist_ok=True)
            with unfinished.open("wb") as file:
                file.write(msgspec.json.format(msgspec.json.encode(_Stored(self.aliases))))
                file.flush()
                os.fsync(file.fileno())
            unfinished.replace(self._file)
            self.problem = ""
        except OSError as error:
            self.problem = (
                f"The taught keys hold until the window closes; they were not stored ({error.strerror})."
            )


def keys_file() -> Path:
    """Where taught keys are remembered."""
    import platformdirs  # only for the window

    return platformdirs.user_config_path("driftbeat", appauthor=False) / "keys.json"
