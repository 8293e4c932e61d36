"""A window that only says something: why there is no other one."""

from __future__ import annotations

from pyqtgraph.Qt import QtGui, QtWidgets

from ui.window import theme
from ui.window.page import text

WIDTH_PX, HEIGHT_PX = 900, 320
LETTERS = 0.8  # of the full size


class Note(QtWidgets.QWidget):
    """A few words; any key or a click closes it."""

    def __init__(self, state: str, words: str) -> None:
        super().__init__()
        self.setWindowTitle("Driftbeat")
        self.setStyleSheet(theme.style_sheet(LETTERS))
        layout = QtWidgets.QVBoxLayout(self)
        layout.setContentsMargins(24, 16, 24, 16)
        for label in (text(state, "state"), text(words, "instruction"), text("Any key closes this.", "soft")):
            layout.addWidget(label)
        layout.addStretch(1)
        self.resize(WIDTH_PX, HEIGHT_PX)

    def keyPressEvent(self, a0: QtGui.QKeyEvent | None) -> None:  # noqa: N802 (Qt's name)
        """Understood."""
        self.close()

    def mousePressEvent(self, a0: QtGui.QMouseEvent | None) -> None:  # noqa: N802 (Qt's name)
        """Understood."""
        self.close()
