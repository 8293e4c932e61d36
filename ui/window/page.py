"""What a page of the window is."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from pyqtgraph.Qt import QtCore, QtWidgets

from ui.visit.visit import Visit


class Action(NamedTuple):
    """Something that a key does now. The footer shows it."""

    name: str  # in the words of the technician: "Position reached"
    key: str  # as Qt writes it: "Space", "R", "Esc", "Return", "Ctrl+N"
    run: Callable[[], object]


class Page(QtWidgets.QWidget):
    """One thing at a time, over the whole window between head and footer.

    A subclass sets `key` (its name among the pages) and `title`, builds its widgets in `__init__`, and lists
    in `key_actions` what its keys do at this moment, the main one first: that is what a foot switch does. The
    shell reads `key_actions` at every tick and every key, so it follows the state by itself. A key held down
    acts once; a letter that is typed into a field goes to the field.
    """

    key = ""
    title = ""

    def __init__(self, visit: Visit) -> None:
        super().__init__()
        self.visit = visit
        self.go: Callable[[str], None] = lambda key: None  # shows another page; set by the shell

    def key_actions(self) -> tuple[Action, ...]:
        """What keys do now, the main one first."""
        return ()

    def hear(self, key: str) -> bool:
        """Whether the page takes this key as it was pressed, before it can act as another."""
        return False

    def enter(self) -> None:
        """Called when the page comes to be shown."""

    def leave(self) -> None:
        """Called when another page comes."""

    def busy(self) -> str:
        """Why the page cannot be left now, in words; empty when it can."""
        return ""

    def tick(self, now_s: float) -> None:
        """Called 30 times a second while shown; `now_s` on the clock of the visit."""


def text(words: str = "", role: str = "") -> QtWidgets.QLabel:
    """A label of plain text (nothing in it is ever read as markup) in a role of the theme."""
    label = QtWidgets.QLabel(words)
    label.setTextFormat(QtCore.Qt.TextFormat.PlainText)
    label.setWordWrap(True)
    label.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
    if role:
        label.setProperty("role", role)
    return label


def restyle(widget: QtWidgets.QWidget, role: str) -> None:
    """Give a widget another role of the theme; costs nothing while it stays the same."""
    if widget.property("role") == role:
        return
    widget.setProperty("role", role)
    style = widget.style()
    if style is not None:
        style.unpolish(widget)
        style.polish(widget)
