"""No words are cut, the screen stays dark, and what counts now is large: looked at in the picture itself."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from pyqtgraph.Qt import QtGui

from analysis.battery import procedure_named
from analysis.nystagmus import BEAT_NAMES
from tests.bench.window_shots import SIZES, cut_labels, dots, picture_of, staged, states
from tests.ui.window.conftest import Window
from tests.ui.window.test_theme import luminance
from ui.window.eye_view import EyePicture

DARKEST = 0.05  # mean linear luminance of the screen, share of white
READABLE_PX = 45  # at 1080 lines: readable at 2 m


def mean_luminance(picture: NDArray[np.uint8]) -> float:
    """Relative luminance of sRGB (IEC 61966-2-1), mean over the dots."""
    level = picture / 255
    linear = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    return float((linear @ [0.2126, 0.7152, 0.0722]).mean())


def test_the_measure_itself() -> None:
    image = QtGui.QImage(8, 8, QtGui.QImage.Format.Format_RGB32)
    for colour in ("#ffffff", "#000000", "#ff8f78", "#14181d"):
        image.fill(QtGui.QColor(colour))
        assert mean_luminance(dots(image)) == pytest.approx(luminance(colour), abs=1e-6)


@pytest.mark.parametrize("size", SIZES)
def test_every_page_is_dark_and_whole(window: Window, size: tuple[int, int]) -> None:
    window.shell.resize(*size)
    for key in window.shell.pages:
        window.shell.show_page(key)
        window.wait(0.2)
        assert mean_luminance(dots(picture_of(window.shell))) <= DARKEST, key
        assert cut_labels(window.shell) == [], key


@pytest.mark.parametrize("size", SIZES)
def test_the_longest_words_under_an_eye_cover_no_picture(window: Window, size: tuple[int, int]) -> None:
    window.shell.resize(*size)
    window.visit.begin(procedure_named("spontaneous"))
    window.wait(0.2)
    eyes = [eye for eye in window.shell.findChildren(EyePicture) if eye.isVisible()]
    assert len(eyes) == 2
    names = (BEAT_NAMES["right"], BEAT_NAMES["down"], max(BEAT_NAMES.values(), key=len))
    longest = [f"{name} 188 deg/s" for name in names] + ["250 pictures/s, 1888 lost"]
    for lines, cut in ((longest, 0), ([*longest, *longest], 2)):
        for eye in eyes:
            eye.below = "\n".join(lines)
        picture_of(window.shell)
        assert len(cut_labels(window.shell)) == cut


def test_a_label_without_room_is_found(window: Window) -> None:
    window.shell.show_page("keys")
    picture_of(window.shell)
    window.shell.page._state.setFixedHeight(12)  # type: ignore[attr-defined]
    window.shell.page._words.setFixedSize(30, 30)  # type: ignore[attr-defined]
    picture_of(window.shell)
    assert len(cut_labels(window.shell)) == 2


def test_what_counts_now_is_readable_at_two_metres(window: Window) -> None:
    window.shell.resize(1920, 1080)
    for key in ("cameras", "calibration", "training", "keys"):
        window.shell.show_page(key)
        window.wait(0.1)
        state = window.shell.page._state  # type: ignore[attr-defined]
        assert QtGui.QFontInfo(state.font()).pixelSize() >= READABLE_PX, key
    assert QtGui.QFontInfo(window.shell._code.font()).pixelSize() >= READABLE_PX


@pytest.mark.long
def test_every_state_is_dark_and_whole() -> None:
    """With painted eyes, on the smaller screen."""
    seen = []
    with staged(SIZES[0]) as stage:
        for name in states(stage):
            picture = dots(picture_of(stage.shell))
            assert mean_luminance(picture) <= DARKEST, name
            assert cut_labels(stage.shell) == [], name
            seen.append(name)
    assert {"start-filled", "cameras", "calibration-done", "test-hold", "test-outcome", "keys"} <= set(seen)
