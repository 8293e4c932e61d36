"""The rate that is stated: of distinct pictures, as long as they came."""

from __future__ import annotations

import numpy as np
import pytest

from capture.samples import SAMPLE_DTYPE
from recordings.images_file import PictureSums
from recordings.info import EyeSource
from recordings.measuring import eye_info

SOURCE = EyeSource("right", "camera", "made up", 320, 240, 100.0, "measured")


def rate_hz(repeated: np.ndarray, kept: np.ndarray | None = None) -> float:
    """Of pictures sent 100 times a second, some of them twice, some of them lost."""
    rows = np.zeros(len(repeated), SAMPLE_DTYPE)
    rows["frame"], rows["time_s"] = np.arange(len(rows)), np.arange(len(rows)) / 100.0
    rows["repeated"] = repeated
    return eye_info(SOURCE, rows if kept is None else rows[kept], PictureSums(), True).measured_rate_hz


def test_copies_do_not_count_and_a_freeze_is_no_lower_rate() -> None:
    number = np.arange(2001)
    assert rate_hz(number < 0) == pytest.approx(100.0)
    assert rate_hz(number % 5 == 3) == pytest.approx(80.0, rel=0.01)  # of five pictures one is a copy
    frozen = (number > 500) & (number < 1500)  # for 10 s the same picture
    assert rate_hz(frozen) == pytest.approx(100.0, rel=0.01)
    assert rate_hz(frozen | (number % 2 == 1)) == pytest.approx(50.0, rel=0.01)
    assert not rate_hz(number > 0) > 0.0  # frozen from its first picture


def test_lost_pictures_are_counted_in() -> None:
    number = np.arange(2001)
    away = (number > 500) & (number < 1500)
    assert rate_hz(number < 0, ~away) == pytest.approx(100.0)
    assert rate_hz(number < 0, number % 4 != 1) == pytest.approx(100.0, rel=0.01)
