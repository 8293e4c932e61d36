"""Pictures that a camera sent twice: exact copies, and copies that were encoded anew.

A new exposure has new sensor noise, a copy has the noise of the picture before. So a picture X that follows
the distinct pictures B, A is a copy of A when it differs from A by less than distinct pictures differ, and
when X - B and A - B are the same noise: their correlation is near 1 for a copy and near 1/2 for a new
exposure, which shares with it only the noise of B. Both are measured in the tiles of a grid, and the quarter
of the tiles that changes least decides, so that a moving eye does not matter.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Image = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class RepeatSettings:
    """When a picture is a copy. Seen on rendered and simulated eyes: a new exposure differs by 0.89 to 1.1 of
    the usual difference at a correlation below 0.52; a copy encoded at another JPEG quality (95 to 85, 90 to
    80) by 0.2 to 0.8 at 0.7 to 0.96, but by as much as a new exposure where the noise hardly survives both.
    """  # noqa: D205

    copy_levels: float = 0.1  # grey levels that no tile of a copy differs by: rounding when encoded alike
    copy_share: float = 0.85  # of the usual difference between distinct pictures
    noise_correlation: float = 0.6  # above a new exposure's 0.5
    noise_only: float = 1.5  # of it: A and B further apart differ by light or movement, and prove nothing
    # So many copies encoded anew in a row count only where as many distinct pictures were seen: a camera that
    # begins in the dark, or with a flash, has a first difference that is no noise.
    young: int = 8
    remembered: int = 64  # differences between distinct pictures that are kept


class Repeats:
    """Tells copies from observations, one picture after the other. For one thread.

    What it cannot know: a stream that is frozen from its first picture and encoded anew each time at a
    changing quality, and pictures without any noise that show nothing moving.
    """

    def __init__(self, settings: RepeatSettings = RepeatSettings()) -> None:
        self._settings = settings
        self._last: Image | None = None
        self._before: Image | None = None
        self._in_a_row = 0  # copies encoded anew since the last distinct picture
        self._distinct: deque[float] = deque(maxlen=settings.remembered)
        blank = np.zeros((TILES, TILES), np.uint8)
        blank.setflags(write=False)  # as frames are; numba compiles that as a type of its own
        compare(blank, blank, blank)  # compiled before the first frame

    def is_repeat(self, image: Image) -> bool:
        """Whether this picture (height, width) is a copy of the last distinct one, of the same size."""
        if self._last is None:
            self._last = image
            return False
        if image.shape != self._last.shape:
            self._before, self._last = None, image
            return False
        before = self._last if self._before is None else self._before
        apart, correlation = compare(image, self._last, before)
        level = _quarter(apart)
        if apart.max() <= self._settings.copy_levels:
            return True
        if self._encoded_anew(level, correlation):
            self._in_a_row += 1
            return True
        self._in_a_row = 0
        self._distinct.append(level)
        self._before, self._last = self._last, image
        return False

    def _encoded_anew(self, level: float, correlation: NDArray[np.float64]) -> bool:
        known = correlation[np.isfinite(correlation)]
        young = self._settings.young
        if not self._distinct or len(known) < TILES or self._in_a_row >= young > len(self._distinct):
            return False
        usual = sorted(self._distinct)[3 * len(self._distinct) // 4]  # low ones are copies not yet known
        return (
            self._distinct[-1] < self._settings.noise_only * usual
            and level < self._settings.copy_share * usual
            and _quarter(known) > self._settings.noise_correlation
        )


def _quarter(values: NDArray[np.float64]) -> float:
    """The lower quartile; `numpy.quantile` takes ten times as long."""
    return float(np.sort(values)[len(values) // 4])


TILES = 8  # a side of the grid; as many tiles must show noise before noise decides


@njit(cache=True, nogil=True)
def compare(image: Image, last: Image, before: Image) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """For each of 8 x 8 tiles: mean |image - last| (64,), and the correlation (64,) of image - before with
    last - before; NaN where a tile is the same in all. Every second row is looked at.
    """  # noqa: D205
    height, width = image.shape[0] // TILES, image.shape[1] // TILES
    apart, correlation = np.zeros(TILES * TILES), np.full(TILES * TILES, np.nan)
    for tile in range(TILES * TILES):
        top, left = tile // TILES * height, tile % TILES * width
        n = sum_d = sum_u = sum_v = sum_uu = sum_vv = sum_uv = 0
        for y in range(top, top + height, 2):
            for x in range(left, left + width):
                u = np.int64(image[y, x]) - np.int64(before[y, x])
                v = np.int64(last[y, x]) - np.int64(before[y, x])
                n += 1
                sum_d += abs(u - v)
                sum_u += u
                sum_v += v
                sum_uu += u * u
                sum_vv += v * v
                sum_uv += u * v
        apart[tile] = sum_d / max(n, 1)
        spread = (n * sum_uu - sum_u * sum_u) * (n * sum_vv - sum_v * sum_v)
        if spread > 0:
            correlation[tile] = (n * sum_uv - sum_u * sum_v) / np.sqrt(float(spread))
    return apart, correlation
