"""SVG written by hand: lines, marks and words in millimetres. No library, no state but the list of parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np
from numpy.typing import NDArray

FONT = "Noto Sans"
INK = "#1c2126"
SOFT = "#68717a"
FAINT = "#d5dade"


@dataclass(slots=True)
class Drawing:
    """Parts of an SVG picture of a size in mm; y runs down."""

    width_mm: float
    height_mm: float
    parts: list[str] = field(default_factory=list)

    def line(
        self, points: Sequence[tuple[float, float]], colour: str = INK, width: float = 0.2, dash: str = ""
    ) -> None:
        """A line through points."""
        path = "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points)
        self._path(path, colour, width, dash)

    def curve(self, x: NDArray[np.float64], y: NDArray[np.float64], colour: str, width: float = 0.25) -> None:
        """A curve through (n,) points; NaN leaves a gap."""
        path, pen = [], "M"
        for px, py in zip(x.tolist(), y.tolist(), strict=True):
            if px != px or py != py:
                pen = "M"
                continue
            path.append(f"{pen}{px:.2f} {py:.2f}")
            pen = "L"
        if path:
            self._path("".join(path), colour, width, "")

    def _path(self, path: str, colour: str, width: float, dash: str) -> None:
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="{width}" '
            f'stroke-linejoin="round" stroke-linecap="round"{dashed}/>'
        )

    def box(self, x: float, y: float, width: float, height: float, fill: str) -> None:
        """A filled rectangle."""
        self.parts.append(
            f'<rect x="{x:.2f}" y="{y:.2f}" width="{width:.2f}" height="{height:.2f}" fill="{fill}"/>'
        )

    def shape(self, points: Sequence[tuple[float, float]], fill: str, stroke: str = "none") -> None:
        """A closed polygon."""
        text = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
        self.parts.append(f'<polygon points="{text}" fill="{fill}" stroke="{stroke}" stroke-width="0.2"/>')

    def dot(self, x: float, y: float, radius: float, fill: str, stroke: str = "none") -> None:
        """A round point."""
        self.parts.append(
            f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{radius}" fill="{fill}" stroke="{stroke}" '
            'stroke-width="0.2"/>'
        )

    def text(
        self, x: float, y: float, words: str, size: float = 2.5, colour: str = INK, anchor: str = "start",
        bold: bool = False,
    ) -> None:  # fmt: skip
        """Words with their baseline at y; `anchor` is start, middle or end. `size` is in mm."""
        weight = ' font-weight="600"' if bold else ""
        self.parts.append(
            f'<text x="{x:.2f}" y="{y:.2f}" font-family="{FONT}" font-size="{size}" fill="{colour}" '
            f'text-anchor="{anchor}"{weight}>{escape(words)}</text>'
        )

    def svg(self) -> str:
        """The whole picture."""
        size = f'width="{self.width_mm:g}mm" height="{self.height_mm:g}mm"'
        box = f'viewBox="0 0 {self.width_mm:g} {self.height_mm:g}"'
        body = "".join(self.parts)
        return f'<svg xmlns="http://www.w3.org/2000/svg" {size} {box}>{body}</svg>'
