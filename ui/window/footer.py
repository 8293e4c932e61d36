"""The foot of the window: every action with its key, the main one first."""

from __future__ import annotations

from collections.abc import Sequence

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from ui.window import theme
from ui.window.page import Action

PAD_PX, GAP_PX = 10, 22


class Footer(QtWidgets.QWidget):
    """Paints the actions in as many rows as they need."""

    def __init__(self) -> None:
        super().__init__()
        self._shown: tuple[tuple[str, str], ...] = ()
        self.level = 1.0
        self.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)

    def show_actions(self, actions: Sequence[Action]) -> None:
        """Show these from now on."""
        wanted = tuple((action.key, action.name) for action in actions)
        if wanted != self._shown:
            self._shown = wanted
            self._fit()
            self.update()

    def resizeEvent(self, a0: QtGui.QResizeEvent | None) -> None:  # noqa: N802 (Qt's name)
        """Other rows in another width."""
        self._fit()

    def changeEvent(self, a0: QtCore.QEvent | None) -> None:  # noqa: N802 (Qt's name)
        """Other rows for letters of another size."""
        if a0 is not None and a0.type() in (QtCore.QEvent.Type.FontChange, QtCore.QEvent.Type.StyleChange):
            self._fit()

    def paintEvent(self, a0: QtGui.QPaintEvent | None) -> None:  # noqa: N802 (Qt's name)
        """A cap for each key, its action beside it."""
        painter = QtGui.QPainter(self)
        flag = QtCore.Qt.AlignmentFlag
        bold = QtGui.QFont(self.font())
        bold.setBold(True)
        for n, (cap, name) in enumerate(self._places()):
            key, words = self._shown[n]
            painter.setPen(QtCore.Qt.PenStyle.NoPen)
            painter.setBrush(QtGui.QColor(theme.dimmed(theme.LINE, self.level)))
            painter.drawRoundedRect(cap, 4, 4)
            painter.setPen(QtGui.QColor(theme.dimmed(theme.TEXT, self.level)))
            painter.setFont(bold)
            painter.drawText(cap, flag.AlignCenter, key)
            painter.setFont(bold if n == 0 else self.font())
            painter.drawText(name, flag.AlignLeft | flag.AlignVCenter, words)
        painter.end()

    def _fit(self) -> None:
        places = self._places()
        self.setFixedHeight(places[-1][0].bottom() + 4 if places else self._row_px())

    def _row_px(self) -> int:
        return round(QtGui.QFontMetrics(self.font()).height() * 1.5)

    def _places(self) -> list[tuple[QtCore.QRect, QtCore.QRect]]:
        """Where each key and its action stand."""
        bold = QtGui.QFont(self.font())
        bold.setBold(True)
        measure = QtGui.QFontMetrics(bold)
        row_px, places = self._row_px(), []
        x = y = 0
        for key, words in self._shown:
            cap_px, words_px = (
                measure.horizontalAdvance(key) + 2 * PAD_PX,
                measure.horizontalAdvance(words) + 4,
            )
            if x and x + cap_px + words_px + PAD_PX > self.width():
                x, y = 0, y + row_px + 6
            cap = QtCore.QRect(x, y, cap_px, row_px)
            places.append((cap, QtCore.QRect(cap.right() + PAD_PX, y, words_px, row_px)))
            x += cap_px + words_px + PAD_PX + GAP_PX
        return places
