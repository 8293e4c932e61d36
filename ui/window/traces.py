"""The curves of the last seconds: position and velocity, both eyes, three axes.

For each column of pixels the span of what the eye did in it is drawn, so that the work does not grow with the
frame rate and no quick movement is skipped. Columns are fixed in time, so that a curve scrolls without
shimmering.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from capture.samples import AXES, EYES, Eye
from capture.slip import SlipSettings
from ui.visit.live_eyes import LEAST_QUALITY, LiveEye, velocity_dps
from ui.window import theme

SPANS_S = (10.0, 20.0, 30.0)
POSITION_REACH_DEG = (5.0, 10.0, 20.0, 40.0)
VELOCITY_REACH_DPS = (10.0, 25.0, 50.0, 100.0, 200.0, 400.0)
POSITION_SHARE = 0.58  # of the width
GAP_PX = 10
SIDES = {
    "horizontal": ("right", "left"),
    "vertical": ("up", "down"),
    "torsional": ("pole right", "pole left"),
}
LABELS = (*AXES, *(f"{word} 400" for words in SIDES.values() for word in words))
EYE_SHAPES = {"right": "circle", "left": "square"}
LINE_HALF_PX = {"right": 1.5, "left": 0.5}  # the one beneath is seen where both run together
FAINT = 0.45
GAP_S = 0.1  # without a sample
LINE_DOT = 1
DOTS = [  # by number: ground, middle, right, left, right faint, left faint
    QtGui.QColor(colour).rgb()
    for colour in (
        theme.PANEL,
        theme.LINE,
        *theme.EYE_COLOURS.values(),
        *(theme.dimmed(colour, FAINT) for colour in theme.EYE_COLOURS.values()),
    )
]

ByEye = Mapping[Eye, NDArray[Any]]


class Pen(NamedTuple):
    """How a curve is drawn."""

    dot: int  # place in `DOTS`
    half_px: float


class Traces(QtWidgets.QWidget):
    """Curves of the eyes that it was last given, ending now."""

    def __init__(self) -> None:
        super().__init__()
        self.span_s = SPANS_S[0]
        self._eyes: Mapping[Eye, LiveEye] = {}
        self._now_s = 0.0
        self.foot_left_px = -1  # beside the words below the position when last painted; -1: never
        self.setMinimumHeight(190)

    def show_eyes(self, eyes: Mapping[Eye, LiveEye], now_s: float) -> None:
        """Draw these eyes up to now."""
        self._eyes, self._now_s = eyes, now_s
        self.update()

    def longer(self) -> None:
        """The next of the spans of time."""
        self.span_s = SPANS_S[(SPANS_S.index(self.span_s) + 1) % len(SPANS_S)]

    def paintEvent(self, a0: QtGui.QPaintEvent | None) -> None:  # noqa: N802 (Qt's name)
        """Three rows, position left and velocity right."""
        painter = QtGui.QPainter(self)
        painter.fillRect(self.rect(), QtGui.QColor(theme.GROUND))
        measure = QtGui.QFontMetrics(self.font())
        label_px = max(measure.horizontalAdvance(word) for word in LABELS) + 12
        foot_px = measure.height() + 2
        free = self.width() - 2 * label_px - GAP_PX
        wide = round(free * POSITION_SHARE)
        high = (self.height() - foot_px) // 3
        rows: ByEye = {eye: live.since(self._now_s - self.span_s) for eye, live in self._eyes.items()}
        position: ByEye = {eye: _position(found) for eye, found in rows.items()}
        velocity: ByEye = {eye: velocity_dps(found) for eye, found in rows.items()}
        for axis in range(3):
            left = QtCore.QRect(label_px, axis * high, wide, high - 4)
            right = QtCore.QRect(2 * label_px + GAP_PX + wide, axis * high, free - wide, high - 4)
            self._position(painter, left, axis, rows, position)
            self._velocity(painter, right, axis, rows, velocity)
        foot_y = self.height() - foot_px
        self._foot(painter, QtCore.QRect(label_px, foot_y, wide + GAP_PX + label_px, foot_px))
        painter.setPen(QtGui.QColor(theme.SOFT))
        beside = QtCore.QRect(2 * label_px + GAP_PX + wide, foot_y, free - wide, foot_px)
        painter.drawText(beside, QtCore.Qt.AlignmentFlag.AlignLeft, "velocity in deg/s; marks: slow phases")
        painter.end()

    def _position(
        self, painter: QtGui.QPainter, pane: QtCore.QRect, axis: int, rows: ByEye, position: ByEye
    ) -> None:
        reach = _reach([found[:, axis] for found in position.values()], POSITION_REACH_DEG, 99)
        self._curves(painter, pane, axis, rows, position, reach, bright=True)
        self._labels(painter, pane, axis, reach)

    def _velocity(
        self, painter: QtGui.QPainter, pane: QtCore.QRect, axis: int, rows: ByEye, velocity: ByEye
    ) -> None:
        """The velocity, faint and cut where quick phases leave the scale; a mark for each slow phase."""
        marks: ByEye = {eye: self._slow_phases(live, axis) for eye, live in self._eyes.items()}
        reach = _reach([1.3 * found[:, 1] for found in marks.values()], VELOCITY_REACH_DPS, 100)
        self._curves(painter, pane, axis, rows, velocity, reach, bright=False)
        self._labels(painter, pane, axis, reach)
        for eye, found in marks.items():
            self._marks(painter, pane, eye, found, reach)

    def _curves(
        self,
        painter: QtGui.QPainter,
        pane: QtCore.QRect,
        axis: int,
        rows: ByEye,
        values: ByEye,
        reach: float,
        *,
        bright: bool,
    ) -> None:
        """All curves of a pane in one picture of coloured dots: far faster than lines of a painter."""
        ratio = self.devicePixelRatioF()
        high, wide = round(pane.height() * ratio), round(pane.width() * ratio)
        dots = np.zeros((high, (wide + 3) // 4 * 4), np.uint8)  # rows of a picture begin at 4 bytes
        dots[high // 2] = LINE_DOT
        for eye, found in values.items():
            dot = 2 + EYES.index(eye) + (0 if bright else 2)
            curve = columns(rows[eye]["time_s"], found[:, axis], self.span_s / wide)
            look = Pen(dot, LINE_HALF_PX[eye])
            draw(dots[:, :wide], curve, self._now_s, self.span_s / wide, reach, look)
        image = QtGui.QImage(dots.tobytes(), wide, high, dots.shape[1], QtGui.QImage.Format.Format_Indexed8)
        image.setColorTable(DOTS)
        painter.drawImage(pane, image)

    def _slow_phases(self, live: LiveEye, axis: int) -> NDArray[np.float64]:
        """(k, 2) time and velocity of the accepted beats that are in sight."""
        start_s = self._now_s - self.span_s
        found = [
            (beat.slow_end_s, beat.slow_phase_velocity_dps[axis])
            for beat in live.beats
            if beat.accepted and beat.slow_end_s > start_s
        ]
        return np.array(found).reshape(-1, 2)

    def _labels(self, painter: QtGui.QPainter, pane: QtCore.QRect, axis: int, reach: float) -> None:
        label = QtCore.QRect(0, pane.top(), pane.left() - 8, pane.height())
        flag = QtCore.Qt.AlignmentFlag
        painter.setPen(QtGui.QColor(theme.SOFT))
        up, down = SIDES[AXES[axis]]
        painter.drawText(label, flag.AlignRight | flag.AlignTop, f"{up} {reach:g}")
        painter.drawText(label, flag.AlignRight | flag.AlignBottom, f"{down} {reach:g}")
        painter.setPen(QtGui.QColor(theme.TEXT))
        painter.drawText(label, flag.AlignRight | flag.AlignVCenter, AXES[axis])

    def _marks(
        self, painter: QtGui.QPainter, pane: QtCore.QRect, eye: Eye, found: NDArray[np.float64], reach: float
    ) -> None:
        """One mark a slow phase: a circle for the right eye, a square for the left."""
        painter.setPen(QtCore.Qt.PenStyle.NoPen)
        painter.setBrush(QtGui.QColor(theme.EYE_COLOURS[eye]))
        half = pane.height() / 2
        for time_s, velocity in found[np.isfinite(found).all(axis=1)].tolist():
            x = pane.right() - (self._now_s - time_s) / self.span_s * pane.width()
            y = pane.top() + half - min(max(velocity / reach, -1), 1) * half
            mark = QtCore.QRectF(x - 4, y - 4, 8, 8)
            if EYE_SHAPES[eye] == "circle":
                painter.drawEllipse(mark)
            else:
                painter.drawRect(mark)
        painter.setBrush(QtCore.Qt.BrushStyle.NoBrush)

    def _foot(self, painter: QtGui.QPainter, foot: QtCore.QRect) -> None:
        """What the curves are; as far as where the words about the velocity begin."""
        measure = QtGui.QFontMetrics(self.font())
        words = [(theme.SOFT, f"position in deg, last {self.span_s:g} s")]
        words += [
            (theme.EYE_COLOURS[eye], f"{'●' if EYE_SHAPES[eye] == 'circle' else '■'} {eye} eye")
            for eye in EYES
        ]
        if size := size_words(self._eyes):
            words.append((theme.ATTENTION, size))
        for colour, word in words:
            painter.setPen(QtGui.QColor(colour))
            painter.drawText(foot, QtCore.Qt.AlignmentFlag.AlignLeft, word)
            foot = foot.adjusted(measure.horizontalAdvance(word) + 24, 0, 0, 0)
        self.foot_left_px = foot.width()


def size_words(eyes: Mapping[Eye, LiveEye]) -> str:
    """That positions are off because pupils are of another size than the calibrated one; else empty."""
    wider_mm = [live.wider_mm() for live in eyes.values()]
    most_mm = max((mm for mm in wider_mm if math.isfinite(mm)), key=abs, default=0.0)
    if abs(most_mm) < SlipSettings().off_size_mm:
        return ""
    return f"pupil {abs(most_mm):.1f} mm {'wider' if most_mm > 0 else 'smaller'}: zero may be off"


def columns(
    time_s: NDArray[np.float64], value: NDArray[np.float64], column_s: float
) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Least and greatest value in each column of `column_s` seconds that holds any: (k,) times, low, high.

    NaN values are left out. Column borders are multiples of `column_s`, whatever the first time is.
    """
    there = np.isfinite(value)
    time_s, value = time_s[there], value[there]
    if not len(time_s):
        return time_s, value, value
    column = np.floor(time_s / column_s).astype(np.int64)
    first = np.concatenate(([0], np.flatnonzero(np.diff(column)) + 1))
    return (
        (column[first] + 0.5) * column_s,
        np.minimum.reduceat(value, first),
        np.maximum.reduceat(value, first),
    )


def draw(
    dots: NDArray[np.uint8],
    curve: tuple[NDArray[Any], NDArray[Any], NDArray[Any]],
    now_s: float,
    column_s: float,
    reach: float,
    pen: Pen,
) -> None:
    """Draw `columns` into a picture (high, wide) whose right border is now, and its middle 0.

    Columns are joined, so that a fast movement has no holes and neither has a slow camera's curve; a gap of
    `GAP_S` and more stays one. What leaves the scale runs along the border.
    """
    high, wide = dots.shape
    times, low, high_value = curve
    x = wide - 1 - np.round((now_s - times) / column_s).astype(np.int64)
    inside = (x >= 0) & (x < wide)
    x = x[inside]
    if not len(x):
        return
    tops, bottoms = (
        (high - 1) / 2 * (1 - np.clip(value[inside] / reach, -1, 1)) for value in (high_value, low)
    )
    every = np.arange(x[0], x[-1] + 1)
    top, bottom = np.interp(every, x, tops), np.interp(every, x, bottoms)
    upper, lower = top.copy(), bottom.copy()
    upper[1:] = np.minimum(top[1:], bottom[:-1])
    lower[1:] = np.maximum(bottom[1:], top[:-1])
    before = x[np.searchsorted(x, every, side="right") - 1]
    after = x[np.searchsorted(x, every)]
    every_seen = after - before < max(GAP_S / column_s, 2)
    row = np.arange(high)[:, None]
    covered = (row >= np.floor(upper) - pen.half_px) & (row <= np.ceil(lower) + pen.half_px) & every_seen
    part = dots[:, every[0] : every[-1] + 1]
    part[covered] = pen.dot


def _position(rows: NDArray[np.void]) -> NDArray[np.float64]:
    """(n, 3) degrees; NaN where the pupil is not good."""
    found = np.column_stack([rows[f"{axis}_deg"] for axis in AXES])
    found[rows["pupil_quality"] < LEAST_QUALITY] = np.nan
    return found


def _reach(values: list[NDArray[np.float64]], steps: tuple[float, ...], percent: float) -> float:
    """The smallest scale that holds nearly all."""
    all_values = np.abs(np.concatenate([found for found in values if len(found)] or [np.zeros(1)]))
    all_values = all_values[np.isfinite(all_values)]
    wanted = float(np.percentile(all_values, percent)) if len(all_values) else 0.0
    return next((step for step in steps if step >= wanted), steps[-1])
