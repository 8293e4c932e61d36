"""One eye, large: the newest picture upright, with the tracked pupil and torsion drawn into it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from capture.direction import upright
from capture.profile import EyeView, GoggleProfile
from capture.samples import Eye
from recordings.info import Region
from recordings.shared_samples import NewestPicture
from ui.window import theme

PICTURE_LEVEL = 0.5  # of the picture's brightness: the screen stays dark (about 0.2 of its linear light)
GREYS = [QtGui.qRgb(*(3 * (round(grey * PICTURE_LEVEL),))) for grey in range(256)]
WRAP = int(QtCore.Qt.TextFlag.TextWordWrap)
MARGIN_PX = 4  # between the border and words
LEAST_QUALITY = 0.6  # of a pupil that is drawn


class EyePicture(QtWidgets.QWidget):
    """Draws what it was last given. The patient's right is at the left, as the technician sees the face.

    lines_below: of words that may come under the picture; their room stays free, so that no word ever covers
    a lid and the picture keeps its size.
    """

    def __init__(self, eye: Eye, lines_below: int = 0) -> None:
        super().__init__()
        self.eye: Eye = eye
        self.trouble = self.below = ""
        self._view, self._lines_below = EyeView(eye), lines_below
        self._picture: NewestPicture | None = None
        self._row: np.void | None = None
        self.setMinimumSize(240, 180)

    def follow(self, profile: GoggleProfile) -> None:
        """Show the eye as these goggles see it; nothing where they do not."""
        seen = {view.eye: view for camera in profile.cameras for view in camera.views}
        self._view = seen.get(self.eye, self._view)
        self.setVisible(self.eye in seen)

    def show_eye(
        self, picture: NewestPicture | None, rows: NDArray[np.void], trouble: str, below: str = ""
    ) -> None:
        """The newest picture and the eye's newest rows (n,); `trouble`: why the eye is not seen."""
        self._picture, self.trouble, self.below = picture, trouble, below
        self._row = _row_of(picture, rows)
        self.update()

    def paintEvent(self, a0: QtGui.QPaintEvent | None) -> None:  # noqa: N802 (Qt's name)
        """Picture, outline, words."""
        painter = QtGui.QPainter(self)
        painter.fillRect(self.rect(), QtGui.QColor(theme.PANEL))
        if self._picture is not None and self.trouble != "no picture":
            self._paint_picture(painter, self._picture)
        self._paint_words(painter)
        painter.end()

    def _paint_picture(self, painter: QtGui.QPainter, picture: NewestPicture) -> None:
        full_height, full_width = picture.image.shape
        region = self._view.region_px or (0, 0, full_width, full_height)
        x, y, width, height = region
        shown = oriented(picture.image[y : y + height, x : x + width], self._view)
        high, wide = shown.shape
        pixels = shown.tobytes()  # has to live as long as the image that is made of it
        image = QtGui.QImage(pixels, wide, high, wide, QtGui.QImage.Format.Format_Indexed8)
        image.setColorTable(GREYS)
        room = self.room()
        scale = min(room.width() / wide, room.height() / high)
        middle = QtCore.QRectF(room).center()
        painter.translate(middle.x() - scale * wide / 2, middle.y() - scale * high / 2)
        painter.scale(scale, scale)
        painter.drawImage(QtCore.QPointF(0, 0), image)
        if self._row is not None and self._row["pupil_quality"] >= LEAST_QUALITY:
            painter.translate(wide / 2, high / 2)
            self._paint_pupil(painter, self._row, region)
        painter.resetTransform()

    def room(self) -> QtCore.QRect:
        """Where the picture may be: above the words, where there may be any."""
        line_px = QtGui.QFontMetrics(self.font()).height()
        return self.rect().adjusted(0, 0, 0, -self._lines_below * line_px)

    def _paint_pupil(self, painter: QtGui.QPainter, row: np.void, region: Region) -> None:
        """The outline, and marks outside of it that turn with the iris."""
        pen = QtGui.QPen(QtGui.QColor(theme.EYE_COLOURS[self.eye]), 2)
        pen.setCosmetic(True)
        painter.setPen(pen)
        angle, turn = math.radians(float(row["angle_deg"])), np.linspace(0, 2 * math.pi, 33)
        along, across = row["major_px"] * np.cos(turn), row["minor_px"] * np.sin(turn)
        outline = np.column_stack(
            (
                along * math.cos(angle) - across * math.sin(angle),
                along * math.sin(angle) + across * math.cos(angle),
            )
        )
        centre = np.array([row["x_px"], row["y_px"]])
        self._line(painter, centre + outline, region)
        if math.isfinite(turned := math.radians(float(row["rotation_deg"]) - 90)):
            spoke = np.array([math.cos(turned), math.sin(turned)]) * row["major_px"]
            for side in (-1, 1):
                self._line(painter, centre + side * np.outer((1.2, 1.8), spoke), region)

    def _line(self, painter: QtGui.QPainter, places_px: NDArray[np.float64], region: Region) -> None:
        points = upright(self._view, places_px - region[:2], region[2:])
        painter.drawPolyline(QtGui.QPolygonF([QtCore.QPointF(x, y) for x, y in points.tolist()]))

    def _paint_words(self, painter: QtGui.QPainter) -> None:
        margin = self.rect().adjusted(2 * MARGIN_PX, MARGIN_PX, -2 * MARGIN_PX, -MARGIN_PX)
        flag = QtCore.Qt.AlignmentFlag
        font = painter.font()
        font.setBold(True)
        painter.setFont(font)
        painter.setPen(QtGui.QColor(theme.EYE_COLOURS[self.eye]))
        side = flag.AlignLeft if self.eye == "right" else flag.AlignRight
        painter.drawText(margin, flag.AlignTop | side, f"{self.eye.upper()} EYE")
        painter.setPen(QtGui.QColor(theme.TEXT))
        painter.drawText(margin, int(flag.AlignBottom | side) | WRAP, self.below)
        if self.trouble:
            font.setPixelSize(round(font.pixelSize() * 1.8))
            painter.setFont(font)
            painter.setPen(QtGui.QColor(theme.URGENT))
            painter.drawText(margin, flag.AlignHCenter | flag.AlignTop, self.trouble.upper())


def oriented(image: NDArray[np.uint8], view: EyeView) -> NDArray[np.uint8]:
    """A picture as delivered, brought upright: mirrored first, then turned counter-clockwise."""
    mirrored = image[:, ::-1] if view.mirrored else image
    return np.ascontiguousarray(np.rot90(mirrored, view.rotation_deg // 90))


def _row_of(picture: NewestPicture | None, rows: NDArray[np.void]) -> np.void | None:
    """What was tracked in this picture, else the newest: the picture comes a few milliseconds before it."""
    if picture is None or not len(rows):
        return None
    last = rows[-20:]
    same = np.flatnonzero(last["frame"] == picture.frame)
    return last[int(same[-1]) if len(same) else -1]
