"""Colours and sizes: dark, so that the patient's eyes stay in the dark.

Right is reddish, left bluish, as on audiograms (ASHA, Guidelines for audiometric symbols, 1990, from memory);
each also has its word and its place, and the two differ in lightness for the colour-blind. Every text has a
contrast of at least 4.5:1 on its ground (Web Content Accessibility Guidelines 2.1, criterion 1.4.3, from
memory); tests/ui/window/test_theme.py works it out.
"""

from __future__ import annotations

from pathlib import Path

from capture.samples import Eye

GROUND = "#0b0d10"
PANEL = "#14181d"
LINE = "#232a31"
TEXT = "#d7dde4"
SOFT = "#a9b4c0"
EYE_COLOURS: dict[Eye, str] = {"right": "#ff8f78", "left": "#74b4f2"}
GOOD = "#86d19a"
ATTENTION = "#f2c14e"  # needs telling
URGENT = "#ffab40"  # red flags and stop signs; told by its words and its frame as well
STRIP_GROUND = "#2b2410"

# Heights of letters in px at 1920x1080; readable at 2 m from 45 px on.
STATE_PX, CODE_PX, INSTRUCTION_PX, SAY_PX, TITLE_PX, TEXT_PX, SMALL_PX = 56, 46, 36, 28, 26, 20, 18
FULL_HEIGHT_PX = 1080
LEAST_SCALE = 0.5  # smaller letters help nobody
LEAST_PX = 15  # of any letter, however small the window: a hand looks for its key in the dark

LEVELS = (1.0, 0.87, 0.75)  # of brightness; words keep a contrast of 4.5:1 at the last, too

FONTS = Path(__file__).parent.parent / "report" / "fonts"


def scale(window_height_px: float) -> float:
    """How much smaller letters are in a window that is not 1080 px high."""
    return max(window_height_px / FULL_HEIGHT_PX, LEAST_SCALE)


def dimmed(colour: str, level: float) -> str:
    """A colour at 0..1 of its brightness on the screen."""
    parts = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
    return "#" + "".join(f"{round(part * level):02x}" for part in parts)


def style_sheet(factor: float, level: float = 1.0) -> str:
    """Qt style sheet for letters `factor` times the full size, all colours at `level` of their brightness.

    Widgets say what they are by the property `role`: state, code, instruction, title, small, soft, good,
    attention, urgent, right, left, strip, panel, key.
    """

    def px(size: int) -> int:
        return max(round(size * factor), LEAST_PX)

    def c(colour: str) -> str:
        return dimmed(colour, level)

    return f"""
    QWidget {{ background: {c(GROUND)}; color: {c(TEXT)}; font-family: "Noto Sans";
               font-size: {px(TEXT_PX)}px; }}
    *[role="state"], *[role="state good"] {{ font-size: {px(STATE_PX)}px; font-weight: 600; }}
    *[role="code"] {{ font-size: {px(CODE_PX)}px; font-weight: 600; }}
    *[role^="instruction"] {{ font-size: {px(INSTRUCTION_PX)}px; }}
    *[role="say"] {{ font-size: {px(SAY_PX)}px; color: {c(SOFT)}; }}
    *[role="choice"], *[role="chosen"] {{ font-size: {px(TITLE_PX)}px; }}
    *[role="chosen"] {{ background: {c(LINE)}; font-weight: 600; padding: 4px 0; }}
    *[role="title"] {{ font-size: {px(TITLE_PX)}px; font-weight: 600; }}
    *[role="small"] {{ font-size: {px(SMALL_PX)}px; color: {c(SOFT)}; }}
    *[role="soft"] {{ color: {c(SOFT)}; }}
    *[role$="good"] {{ color: {c(GOOD)}; }}
    *[role$="attention"] {{ color: {c(ATTENTION)}; }}
    *[role="urgent"] {{ color: {c(URGENT)}; font-weight: 600; border: 2px solid {c(URGENT)};
                        padding: 2px 8px; }}
    *[role="right"] {{ color: {c(EYE_COLOURS["right"])}; font-weight: 600; }}
    *[role="left"] {{ color: {c(EYE_COLOURS["left"])}; font-weight: 600; }}
    *[role="strip"] {{ background: {c(STRIP_GROUND)}; color: {c(ATTENTION)}; padding: 4px 12px;
                       font-size: {px(TITLE_PX)}px; }}
    *[role="panel"] {{ background: {c(PANEL)}; }}
    *[role="key"] {{ background: {c(LINE)}; padding: 2px 8px; border-radius: 4px; font-weight: 600; }}
    QLineEdit, QSpinBox, QComboBox, QPlainTextEdit {{ background: {c(PANEL)}; border: 1px solid {c(SOFT)};
        padding: 4px 8px; }}
    QLineEdit:focus, QSpinBox:focus, QComboBox:focus, QPlainTextEdit:focus, QCheckBox:focus,
    QRadioButton:focus {{ border: 2px solid {c(ATTENTION)}; }}
    *[role="field"] {{ background: {c(PANEL)}; border: 1px solid {c(LINE)}; padding: 4px 8px; }}
    *[role="field"]:focus {{ border: 2px solid {c(ATTENTION)}; }}
    QScrollArea {{ border: none; }}
    QScrollBar:vertical {{ background: {c(GROUND)}; width: 10px; border: none; }}
    QScrollBar::handle:vertical {{ background: {c(SOFT)}; border-radius: 4px; min-height: 30px; }}
    QScrollBar::add-line:vertical, QScrollBar::sub-line:vertical {{ height: 0; }}
    QScrollBar::add-page:vertical, QScrollBar::sub-page:vertical {{ background: {c(GROUND)}; }}
    """
