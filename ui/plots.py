"""The two pictures of a report: pieces of the trace with labelled beats, and velocity over time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.marking import DOUBTFUL
from analysis.report_curves import SIDES, BeatLine, Curves, Excerpt, Strip, VelocityCurve, VelocityPoint
from capture.samples import Eye
from ui.drawing import FAINT, INK, SOFT, Drawing

COLOURS: dict[Eye, str] = {"right": "#b3261e", "left": "#1d4f9c"}
BAND, GROUND = "#efcf8b", "#f6f7f8"
WIDTH_MM, LEFT_MM, RIGHT_MM, TOP_MM, BOTTOM_MM, GAP_MM = 180.0, 36.0, 1.0, 7.2, 7.0, 4.0
LEAST_SPAN_DEG = 4.0
LEAST_SPAN_S = 0.5
SQUARE = ((-1, -1), (1, -1), (1, 1), (-1, 1))
LEAST_SPEED_DPS = 6.0
STEP_MM, LETTER_EM = 2.7, 0.62  # letters of a step's name: height, and mean width of a bold one (measured)


@dataclass(frozen=True, slots=True)
class Pane:
    """A rectangle on paper and the values that it stands for."""

    left: float
    top: float
    width: float
    height: float
    start_s: float
    end_s: float
    low: float
    high: float

    def x(self, time_s: float) -> float:
        """Time to mm."""
        return self.left + (time_s - self.start_s) / (self.end_s - self.start_s) * self.width

    def y(self, value: float) -> float:
        """Value to mm; positive is up."""
        return self.top + (self.high - value) / (self.high - self.low) * self.height


def trace_picture(curves: Curves, strip_mm: float = 16.0) -> Drawing:
    """Excerpts side by side on one scale of time, a row for each axis and eye.

    Every used beat has its fitted slow phase as a band under the trace and a filled mark on the side to which
    the quick phase goes; a refused one a hollow mark. Where gaze is oblique, a thin dark line shows what of
    the torsion Listing's law alone would give.
    """
    rows: list[tuple[str, Eye]] = [(s.axis, s.eye) for s in curves.excerpts[0].strips]
    drawing = Drawing(WIDTH_MM, TOP_MM + strip_mm * len(rows) + BOTTOM_MM)
    seconds = sum(max(e.end_s - e.start_s, LEAST_SPAN_S) for e in curves.excerpts)
    free_mm = WIDTH_MM - LEFT_MM - RIGHT_MM - GAP_MM * (len(curves.excerpts) - 1)
    left = LEFT_MM
    for excerpt in curves.excerpts:
        wide = free_mm * max(excerpt.end_s - excerpt.start_s, LEAST_SPAN_S) / seconds
        _excerpt(drawing, curves, excerpt, left, wide, strip_mm)
        left += wide + GAP_MM
    _row_names(drawing, curves, rows, strip_mm)
    return drawing


def _excerpt(
    drawing: Drawing, curves: Curves, excerpt: Excerpt, left: float, wide: float, strip_mm: float
) -> None:
    end_s = max(excerpt.end_s, excerpt.start_s + LEAST_SPAN_S)
    drawing.text(left, TOP_MM - 4.7, _fitting(excerpt.step, wide), STEP_MM, bold=True)
    drawing.text(left, TOP_MM - 1.6, f"{excerpt.start_s:.1f} to {excerpt.end_s:.1f} s", STEP_MM)
    for row, strip in enumerate(excerpt.strips):
        span, centre = _span(curves, strip.axis), _centre(strip)
        top = TOP_MM + row * strip_mm
        pane = Pane(
            left, top, wide, strip_mm - 1.2, excerpt.start_s, end_s, centre - span / 2, centre + span / 2
        )
        _strip(drawing, pane, strip)
    _seconds(drawing, left, wide, excerpt.start_s, end_s, TOP_MM + strip_mm * len(excerpt.strips))


def _span(curves: Curves, axis: str) -> float:
    """Degrees that each strip of an axis spans: one scale for both eyes and every excerpt."""
    spans = []
    for strip in (s for e in curves.excerpts for s in e.strips if s.axis == axis):
        seen = strip.position_deg[np.isfinite(strip.position_deg)]
        if len(seen):
            spans.append(float(np.subtract(*np.percentile(seen, [99, 1]))))
    return max(1.6 * max(spans, default=0.0), LEAST_SPAN_DEG)


def _centre(strip: Strip) -> float:
    seen = strip.position_deg[np.isfinite(strip.position_deg)]
    return float(np.sum(np.percentile(seen, [99, 1]))) / 2 if len(seen) else 0.0


def _strip(drawing: Drawing, pane: Pane, strip: Strip) -> None:
    drawing.box(pane.left, pane.top, pane.width, pane.height, GROUND)
    _levels(drawing, pane, numbered=pane.left == LEFT_MM)
    x = np.array([pane.x(t) for t in strip.time_s])
    y = _heights(pane, strip.position_deg)
    for beat in strip.beats:
        _slow_phase(drawing, pane, beat)
    if strip.listing_deg is not None:
        _listing(drawing, pane, x, strip.listing_deg)
    drawing.curve(x, y, COLOURS[strip.eye], 0.28)
    if not np.isfinite(y).any():
        drawing.text(pane.left + 2, pane.top + pane.height / 2 + 0.9, "not seen", 2.4, SOFT)
    for beat in strip.beats:
        _mark(drawing, pane, beat)


def _heights(pane: Pane, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values to mm, NaN beyond the pane."""
    return np.where((values > pane.low) & (values < pane.high), [pane.y(v) for v in values], np.nan)


def _listing(drawing: Drawing, pane: Pane, x: NDArray[np.float64], listing_deg: NDArray[np.float64]) -> None:
    """What of a torsion Listing's law alone would give: a thin line, and its range in words."""
    drawing.curve(x, _heights(pane, listing_deg), INK, 0.12)
    low, high = (f"{value:.1f}".replace("-", "−") for value in np.nanpercentile(listing_deg, [1, 99]))
    right, bottom = pane.left + pane.width - 0.6, pane.top + pane.height - 0.8
    drawing.box(right - 17.0, bottom - 1.9, 17.2, 2.4, GROUND)
    drawing.text(right, bottom, f"Listing {low} to {high}", 2.0, SOFT, "end")


def _levels(drawing: Drawing, pane: Pane, *, numbered: bool) -> None:
    """Faint lines at round values, their numbers where these do not touch the pane above or below."""
    for value in ticks(pane.low, pane.high, 3):
        y = pane.y(value)
        drawing.line([(pane.left, y), (pane.left + pane.width, y)], FAINT, 0.12)
        if numbered and pane.top + 0.8 < y < pane.top + pane.height - 0.8:
            drawing.text(pane.left - 0.8, y + 0.7, f"{value:g}".replace("-", "−"), 2.0, SOFT, "end")


def _slow_phase(drawing: Drawing, pane: Pane, beat: BeatLine) -> None:
    """The fitted slow phase of a used beat as a band under the trace."""
    if beat.accepted and all(pane.low < v < pane.high for v in beat.slow_deg):
        ends = [(pane.x(t), pane.y(v)) for t, v in zip(beat.slow_s, beat.slow_deg, strict=True)]
        drawing.line(ends, BAND, 1.0)


def _mark(drawing: Drawing, pane: Pane, beat: BeatLine) -> None:
    """A mark at the edge to which the quick phase goes: filled for a used beat."""
    if beat.side == 0:
        return
    x = pane.x(sum(beat.quick_s) / 2)
    edge = pane.top + 0.5 if beat.side > 0 else pane.top + pane.height - 0.5
    tip = 1.2 * beat.side
    points = [(x, edge), (x - 0.65, edge + tip), (x + 0.65, edge + tip)]
    drawing.shape(points, INK if beat.accepted else "#ffffff", INK if beat.accepted else SOFT)


def _row_names(drawing: Drawing, curves: Curves, rows: list[tuple[str, Eye]], strip_mm: float) -> None:
    for row, (axis, eye) in enumerate(rows):
        top = TOP_MM + row * strip_mm
        drawing.text(0, top + strip_mm / 2 - 1.2, axis, 2.6, bold=True)
        drawing.text(0, top + strip_mm / 2 + 2.0, f"{eye} eye", 2.6, COLOURS[eye], bold=True)
        for height, word in zip((1.9, strip_mm - 1.6), side_words(axis, curves), strict=True):
            drawing.text(LEFT_MM - 5.5, top + height, word, 2.0, SOFT, "end")
    _units(drawing, TOP_MM + strip_mm * len(rows), "deg", curves)


def side_words(axis: str, curves: Curves) -> tuple[str, str]:
    """Words for the upper and the lower edge of an axis; none where the direction is not proven."""
    return SIDES[axis] if curves.direction_proven else ("", "")


def _seconds(drawing: Drawing, left: float, wide: float, start_s: float, end_s: float, y: float) -> None:
    pane = Pane(left, y, wide, 1, start_s, end_s, 0, 1)
    for value in ticks(start_s, end_s, max(int(wide / 14), 2)):
        drawing.line([(pane.x(value), y - 0.6), (pane.x(value), y + 0.4)], SOFT, 0.15)
        drawing.text(pane.x(value), y + 3.0, f"{value:g}", 2.2, SOFT, "middle")


def ticks(low: float, high: float, about: int) -> list[float]:
    """Round values inside an interval, near `about` of them; steps of 1, 2 or 5.

    >>> ticks(-4.2, 4.2, 3)
    [-4.0, -2.0, 0.0, 2.0, 4.0]
    """
    rough = (high - low) / max(about, 1)
    power = 10.0 ** np.floor(np.log10(rough))
    step = float(next(m * power for m in (1, 2, 5, 10) if m * power >= rough * 0.7))
    first = int(np.ceil(low / step + 1e-9))
    last = int(np.floor(high / step - 1e-9))
    return [round(n * step, 6) + 0.0 for n in range(first, last + 1)]


def velocity_picture(curves: Curves, strip_mm: float = 24.0) -> Drawing:
    """Slow-phase velocity of every beat over the steps, a row for each axis.

    Right eye round, left eye square, each with its standard error; hollow where refused; at the edge where
    beyond the scale. Steps stand above; the seconds dropped after a light change are shaded; limits are
    dashed.
    """
    drawing = Drawing(WIDTH_MM, TOP_MM + strip_mm * len(curves.velocity) + BOTTOM_MM)
    start_s = min(w.start_s for w in curves.windows)
    end_s = max(max(w.end_s for w in curves.windows), start_s + LEAST_SPAN_S)
    wide = WIDTH_MM - LEFT_MM - RIGHT_MM
    for row, curve in enumerate(curves.velocity):
        reach = _reach(curve, start_s, end_s)
        top = TOP_MM + row * strip_mm
        pane = Pane(LEFT_MM, top, wide, strip_mm - 1.5, start_s, end_s, -reach, reach)
        _velocity_row(drawing, pane, curve, curves)
    bottom = TOP_MM + strip_mm * len(curves.velocity)
    _steps(drawing, curves, Pane(LEFT_MM, 0, wide, 1, start_s, end_s, 0, 1))
    _seconds(drawing, LEFT_MM, wide, start_s, end_s, bottom)
    _units(drawing, bottom, "deg/s", curves)
    return drawing


def _steps(drawing: Drawing, curves: Curves, pane: Pane) -> None:
    """Names of the steps where they begin, by turns on the upper and the lower line, cut where they meet."""
    lefts_mm = [pane.x(window.start_s) + 0.6 for window in curves.windows]
    for n, window in enumerate(curves.windows):
        following_mm = (*lefts_mm[n + 2 :], drawing.width_mm)[0]
        line_mm = TOP_MM - (1.6 if n % 2 == 0 else 4.7)
        name = _fitting(window.key, following_mm - lefts_mm[n])
        drawing.text(lefts_mm[n], line_mm, name, STEP_MM, bold=True)


def _fitting(words: str, room_mm: float) -> str:
    """As much of bold words as there is room for."""
    letters = int(room_mm / (LETTER_EM * STEP_MM))
    return words if len(words) <= letters else words[: max(letters - 1, 0)] + "…"


def _units(drawing: Drawing, bottom: float, unit: str, curves: Curves) -> None:
    words = ", ".join((unit, *(mark for mark in DOUBTFUL[unit] if mark in curves.marks)))
    drawing.text(0, bottom + 2.6, words, 2.2, SOFT)
    drawing.text(0, bottom + 5.6, "against seconds of the recording", 2.2, SOFT)


def _reach(curve: VelocityCurve, start_s: float, end_s: float) -> float:
    speeds = [abs(p.velocity_dps) for p in curve.points if p.accepted and start_s <= p.time_s <= end_s]
    largest = 1.2 * float(np.percentile(speeds, 98)) if speeds else 0.0
    return max(largest, LEAST_SPEED_DPS, *(1.15 * value for _, value in curve.limits))


def _velocity_row(drawing: Drawing, pane: Pane, curve: VelocityCurve, curves: Curves) -> None:
    drawing.box(pane.left, pane.top, pane.width, pane.height, GROUND)
    for window in curves.windows:
        left, used, right = (pane.x(t) for t in (window.start_s, window.used_from_s, window.end_s))
        drawing.box(left, pane.top, used - left, pane.height, "#e1e4e7")
        drawing.line([(right, pane.top), (right, pane.top + pane.height)], SOFT, 0.12)
    _levels(drawing, pane, numbered=True)
    drawing.line([(pane.left, pane.y(0)), (pane.left + pane.width, pane.y(0))], SOFT, 0.18)
    _limits(drawing, pane, curve, curves)
    _points(drawing, pane, curve)
    drawing.text(0, pane.top + pane.height / 2 - 0.6, curve.axis, 2.6, bold=True)
    drawing.text(
        0,
        pane.top + pane.height / 2 + 2.6,
        "slow phase to" if curves.direction_proven else "slow phase",
        2.2,
        SOFT,
    )
    for height, word in zip((2.0, pane.height - 0.5), side_words(curve.axis, curves), strict=True):
        drawing.text(pane.left - 5.5, pane.top + height, word, 2.0, SOFT, "end")


def _limits(drawing: Drawing, pane: Pane, curve: VelocityCurve, curves: Curves) -> None:
    spans = {w.key: (w.start_s, w.end_s) for w in curves.windows}
    for key, value in curve.limits:
        for side in (value, -value):
            ends = [(pane.x(t), pane.y(side)) for t in spans[key]]
            drawing.line(ends, INK, 0.2, "1 0.8")


def _points(drawing: Drawing, pane: Pane, curve: VelocityCurve) -> None:
    for point in curve.points:
        if pane.start_s <= point.time_s <= pane.end_s:
            _point(drawing, pane, point)


def _point(drawing: Drawing, pane: Pane, point: VelocityPoint) -> None:
    def height(value: float) -> float:
        return pane.y(min(max(value, pane.low), pane.high))

    x, y, colour = pane.x(point.time_s), height(point.velocity_dps), COLOURS[point.eye]
    error = point.standard_error_dps
    if point.accepted and error == error:
        ends = [(x, height(point.velocity_dps + side * error)) for side in (-1, 1)]
        drawing.line(ends, colour, 0.15)
    fill, stroke = (colour, "none") if point.accepted else ("#ffffff", colour)
    if point.eye == "right":
        drawing.dot(x, y, 0.75, fill, stroke)
    else:
        half = 0.45
        drawing.shape([(x + i * half, y + j * half) for i, j in SQUARE], fill, stroke)
