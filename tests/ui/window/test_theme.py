"""Contrast of every colour that words are written in, and how dark the screen is."""

from __future__ import annotations

import re

import pytest

from ui.window import theme

WORDS = [theme.TEXT, theme.SOFT, theme.GOOD, theme.ATTENTION, theme.URGENT, *theme.EYE_COLOURS.values()]


def test_no_letter_is_too_small_for_the_dark_however_small_the_window() -> None:
    for height_px in (600, 768, 1080):
        sizes = re.findall(r"font-size: (\d+)px", theme.style_sheet(theme.scale(height_px)))
        assert min(map(int, sizes)) >= 15


def luminance(colour: str) -> float:
    """Relative luminance of sRGB (IEC 61966-2-1)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_measure_itself() -> None:
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("level", theme.LEVELS)
@pytest.mark.parametrize("ground", [theme.GROUND, theme.PANEL])
def test_words_have_contrast_at_every_brightness(level: float, ground: str) -> None:
    for colour in WORDS:
        assert contrast(theme.dimmed(colour, level), theme.dimmed(ground, level)) >= 4.5, colour


@pytest.mark.parametrize("level", theme.LEVELS)
def test_the_strip_and_the_keys_have_contrast(level: float) -> None:
    pairs = [(theme.ATTENTION, theme.STRIP_GROUND), (theme.TEXT, theme.LINE)]
    for word, ground in pairs:
        assert contrast(theme.dimmed(word, level), theme.dimmed(ground, level)) >= 4.5, word


def test_right_is_reddish_and_left_bluish_and_the_two_differ_without_colour() -> None:
    right, left = ([int(c[at : at + 2], 16) for at in (1, 3, 5)] for c in theme.EYE_COLOURS.values())
    assert right[0] == max(right)
    assert left[2] == max(left)


def test_the_state_is_at_least_45_px_at_1920x1080() -> None:
    assert theme.scale(1080) == 1.0
    assert theme.STATE_PX >= 45
