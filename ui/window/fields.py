"""Fields of a form that need no mouse: Up and Down go from one to the next, Left and Right choose."""

from __future__ import annotations

from collections.abc import Sequence

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

LONGEST = 400  # letters that a field takes; what is too long is then told in words, not cut silently


class TextField(QtWidgets.QLineEdit):
    """One line of text."""

    def __init__(self, hint: str = "") -> None:
        super().__init__()
        self.setMaxLength(LONGEST)
        self.setPlaceholderText(hint)


class ChoiceField(QtWidgets.QLabel):
    """One of a few words; Left, Right or the first letter changes it."""

    def __init__(self, options: Sequence[str]) -> None:
        super().__init__()
        self._options, self._at = tuple(options), 0
        self.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.setFocusPolicy(QtCore.Qt.FocusPolicy.StrongFocus)
        self.setProperty("role", "field")
        self._show()

    @property
    def value(self) -> str:
        """The word that is chosen."""
        return self._options[self._at]

    def offer(self, options: Sequence[str], value: str) -> None:
        """Other words from now on, and one of them chosen."""
        self._options = tuple(options)
        self.choose(value)

    def choose(self, value: str) -> None:
        """Choose a word."""
        self._at = self._options.index(value)
        self._show()

    def keyPressEvent(self, ev: QtGui.QKeyEvent | None) -> None:  # noqa: N802 (Qt's name)
        """Left, Right, or a letter; everything else is the window's."""
        if ev is None:
            return
        step = {QtCore.Qt.Key.Key_Left: -1, QtCore.Qt.Key.Key_Right: 1, QtCore.Qt.Key.Key_Space: 1}
        if ev.key() in step:
            self._at = (self._at + step[QtCore.Qt.Key(ev.key())]) % len(self._options)
        elif (at := self._beginning_with(ev.text().lower())) is not None:
            self._at = at
        else:
            ev.ignore()
            return
        self._show()

    def _beginning_with(self, letter: str) -> int | None:
        """The next option after the chosen one that begins with this letter."""
        if not letter.strip():
            return None
        count = len(self._options)
        turn = ((self._at + step) % count for step in range(1, count + 1))
        return next((at for at in turn if self._options[at].startswith(letter)), None)

    def _show(self) -> None:
        self.setText(f"◂ {self.value} ▸")
