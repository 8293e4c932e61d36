"""Setting the crosses with typst: on one sheet where it holds them all, else a sheet for each."""

from __future__ import annotations

import math
from importlib.resources import files
from pathlib import Path
from typing import Any

from ui.crosses.places import ANGLES_DEG, CROSS_DEG, LINE_DEG, Cross, Surface, crosses
from ui.report.pdf import compile_pages, write_new

TEMPLATE = Path(str(files("ui.crosses"))) / "sheets.typ"
PAGE_MM = (297.0, 210.0)  # A4 on its side
AROUND_MM = (22.0, 30.0)  # room beside and below the crosses, for words, ruler and the printer's own margin

WHERE = {
    "wall": (
        "Hang it so that the centre cross is straight ahead of the eyes, and right on the sheet is right for "
        "the patient who faces the wall."
    ),
    "ceiling": (
        "Fix it above the lying patient: the centre cross straight above the eyes, the top of the sheet "
        "toward the top of the head, the bottom toward the feet."
    ),
}


def write_crosses(
    path: Path, distance_m: float, angle_deg: float = ANGLES_DEG[0], surface: Surface = "wall"
) -> int:
    """Write the sheets as a new PDF; how many there are.

    Raises ValueError for a distance out of range, FileExistsError when `path` exists.
    """
    data = sheets(distance_m, angle_deg, surface)
    write_new(path, compile_pages(TEMPLATE, data, "pdf"))
    return len(data["sheets"])


def sheets(distance_m: float, angle_deg: float, surface: Surface) -> dict[str, Any]:
    """Everything on the sheets as plain data; places in mm from the sheet's top left corner."""
    made = crosses(distance_m, angle_deg)
    together = fits_one_sheet(made)
    head = f"{distance_m * 100:.0f} cm from the eyes, {surface}"
    return {
        "head": head,
        "where": WHERE[surface],
        "arm_mm": distance_m * 1000 * math.radians(CROSS_DEG),
        "line_mm": max(distance_m * 1000 * math.radians(LINE_DEG), 0.6),
        "page_mm": list(PAGE_MM),
        "sheets": [_sheet(made)] if together else [_sheet((one,)) for one in made],
        "table": [[_named(one), *(_signed_cm(mm) for mm in one[2:])] for one in made],
    }


def fits_one_sheet(made: tuple[Cross, ...]) -> bool:
    """Whether all crosses fit on one sheet, words and margins included."""
    return all(
        2 * max(abs(one[axis + 2]) for one in made) + 2 * around <= page
        for axis, (page, around) in enumerate(zip(PAGE_MM, AROUND_MM, strict=True))
    )


def _sheet(shown: tuple[Cross, ...]) -> dict[str, Any]:
    """Around the middle of the sheet; a cross that stands alone is in the middle."""
    alone = len(shown) == 1
    return {
        "title": _place_words(shown[0]) if alone else "Hang this sheet as it is: the crosses stand right.",
        "crosses": [
            {
                "x_mm": PAGE_MM[0] / 2 + (0.0 if alone else one.x_mm),
                "y_mm": PAGE_MM[1] / 2 - (0.0 if alone else one.y_mm),
                "name": _named(one),
            }
            for one in shown
        ],
    }


def _named(one: Cross) -> str:
    angles = [f"{abs(deg):g}°" for deg in one[:2] if deg]
    return " ".join((one.name.upper(), " / ".join(angles))).strip()


def _signed_cm(mm: float) -> str:
    return f"{mm / 10:+.1f}".replace("-", "−") if mm else "0.0"


def _place_words(one: Cross) -> str:
    """Where a sheet goes, in centimetres from the centre cross."""
    if one.name == "centre":
        return "Centre cross: straight ahead of the eyes. All other sheets are measured from it."
    side = "right" if one.x_mm > 0 else "left"
    height = "above" if one.y_mm > 0 else "below"
    across = f"{abs(one.x_mm) / 10:.1f} cm to the {side}{'' if one.vertical_deg else ' of'}"
    up = f"{abs(one.y_mm) / 10:.1f} cm {height}"
    parts = [text for text, deg in zip((across, up), one[:2], strict=True) if deg]
    return f"This cross: {' and '.join(parts)} the centre cross, middle to middle."
