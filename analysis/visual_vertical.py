"""The subjective visual vertical from the settings of a line, in degrees.

Positive: top of the line toward the patient's right. Settings are corrected for the level of the screen
before anything else. The mean of signed and that of absolute settings are different numbers; only the latter
told loss on both sides from healthy people (Funabashi et al., Clinics, abstract).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.estimate import are_numbers, must_be_finite

OUTLIER_MADS = 3.0  # design choice: flagged, never deleted
TO_SD = 1.4826  # median absolute deviation to standard deviation, normal noise
LEAST_SETTINGS = 3  # from each side, for the side that a line starts from moves its setting


@dataclass(frozen=True, slots=True)
class Vertical:
    """What the settings of one condition say, deg."""

    settings: int
    mean_deg: float  # signed; of the means of both sides, so that uneven numbers do not lean it
    standard_deviation_deg: float  # of single settings
    mean_absolute_deg: float  # in the same way
    median_deg: float
    start_side_effect_deg: float  # mean from the right less mean from the left
    outliers: tuple[int, ...]  # places of settings further from the median than 3 MAD


def against_gravity(reading_deg: float, level: Sequence[tuple[float, float]]) -> float:
    """Angle to gravity of a line that reads `reading_deg` on the screen.

    `level`: for at least one angle that the screen reads, the angle of the screen's vertical there (positive:
    turned clockwise as the patient sees it). Keystone makes it differ with the angle, so it is measured at
    five; between them it is interpolated, beyond them that of the nearest holds.

    Raises ValueError for no level, one that is not finite, or angles that do not rise.

    >>> round(against_gravity(2.1, [(0.0, -0.8)]), 6)
    1.3
    """
    angles, corrections = [a for a, _ in level], [c for _, c in level]
    if not level or not are_numbers(angles, corrections, reading_deg):
        raise ValueError("level must hold at least one finite pair, and reading_deg be finite")
    if any(a >= b for a, b in pairwise(angles)):
        raise ValueError("level must rise in its angles")
    return reading_deg + float(np.interp(reading_deg, angles, corrections))


def static_vertical(settings_deg: Sequence[float], started_deg: Sequence[float]) -> Vertical | str:
    """What settings, each begun at a tilt of `started_deg`, say; or why too few of a side do.

    Raises ValueError for settings that are not finite, not one a start, or a start of 0.
    """
    if len(settings_deg) != len(started_deg):
        raise ValueError(f"started_deg must be one a setting, got {len(started_deg)} for {len(settings_deg)}")
    if not are_numbers(settings_deg, started_deg) or 0 in started_deg:
        raise ValueError("settings_deg and started_deg must be finite, and no start upright")
    found, started = np.array(settings_deg), np.array(started_deg)
    sides = [found[started > 0], found[started < 0]]
    if min(map(len, sides)) < LEAST_SETTINGS:
        counts = f"{len(sides[0])} settings from the right and {len(sides[1])} from the left"
        return f"{counts}, {LEAST_SETTINGS} of each needed"
    median = float(np.median(found))
    away = np.abs(found - median)
    usual = TO_SD * float(np.median(away))
    return Vertical(
        settings=len(found),
        mean_deg=float(np.mean([side.mean() for side in sides])),
        standard_deviation_deg=float(found.std(ddof=1)),
        mean_absolute_deg=float(np.mean([np.abs(side).mean() for side in sides])),
        median_deg=median,
        start_side_effect_deg=float(sides[0].mean() - sides[1].mean()),
        outliers=tuple(np.flatnonzero((away > OUTLIER_MADS * usual) & (usual > 0)).tolist()),
    )


def visual_dependence(clockwise_deg: float, counter_clockwise_deg: float) -> tuple[float, float]:
    """Half the difference and half the sum of the mean settings on a background that turns each way, deg.

    Clockwise as the patient sees it. The first is visual dependence, the second the tilt that is left.

    Raises ValueError for an angle that is not finite.

    >>> tuple(round(v, 6) for v in visual_dependence(8.5, -6.1))
    (7.3, 1.2)
    """
    must_be_finite(clockwise_deg=clockwise_deg, counter_clockwise_deg=counter_clockwise_deg)
    return (clockwise_deg - counter_clockwise_deg) / 2, (clockwise_deg + counter_clockwise_deg) / 2
