"""How far a line that was set to the vertical lies off, with 95 % intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, stdtrit

from analysis.estimate import Estimate
from analysis.median_error import MEDIAN_OVER_MEAN_ERROR
from analysis.visual_vertical import static_vertical

Floats = NDArray[np.float64]
# Standard deviation of what a line that moves by 0.25 deg (the coarsest of clinical reference 18.3) leaves
# open: settings that are all alike are alike to that step only.
ROUNDED_DEG = 0.25 / math.sqrt(12)


@dataclass(frozen=True, slots=True)
class VerticalEstimates:
    """What the settings of one condition say, deg, with how certain it is."""

    mean: Estimate  # signed
    mean_absolute: Estimate
    standard_deviation: Estimate
    start_side_effect: Estimate
    median: Estimate
    settings: int
    outliers: int


def vertical_estimates(
    settings_deg: Sequence[float], started_deg: Sequence[float]
) -> VerticalEstimates | str:
    """Means, spread and effect of the start's side, or why too few settings tell them.

    The side a line starts from shifts its settings: their scatter is taken within each side, so that the
    effect does not pass for doubt of the mean, and both sides count alike, as where the numbers are equal
    (clinical reference 18.4).

    Raises ValueError as `static_vertical` does.
    """
    whole = static_vertical(settings_deg, started_deg)
    if isinstance(whole, str):
        return whole
    found, started = np.array(settings_deg, np.float64), np.array(started_deg, np.float64)
    sides = [started > 0, started < 0]
    return VerticalEstimates(
        mean=_mean(found, sides, whole.mean_deg),
        mean_absolute=_mean(np.abs(found), sides, whole.mean_absolute_deg),
        standard_deviation=_spread(found, whole.standard_deviation_deg),
        start_side_effect=_effect(found, sides, whole.start_side_effect_deg),
        median=_mean(found, sides, whole.median_deg, MEDIAN_OVER_MEAN_ERROR),
        settings=whole.settings,
        outliers=len(whole.outliers),
    )


def _within(values: Floats, sides: list[NDArray[np.bool_]]) -> tuple[float, int]:
    """Scatter about the mean of each side, and its degrees of freedom."""
    parts = [values[side] for side in sides]
    freedom = values.size - len(parts)
    squares = sum(float(((part - part.mean()) ** 2).sum()) for part in parts)
    return math.sqrt(squares / freedom), freedom


def _mean(values: Floats, sides: list[NDArray[np.bool_]], value: float, wider: float = 1.0) -> Estimate:
    scatter, freedom = _within(values, sides)
    return _student(value, max(wider * scatter * _of_both(sides) / 2, ROUNDED_DEG), freedom)


def _of_both(sides: list[NDArray[np.bool_]]) -> float:
    """Standard error of the sum or difference of two means over the scatter of their values."""
    return math.sqrt(sum(1 / int(side.sum()) for side in sides))


def _effect(values: Floats, sides: list[NDArray[np.bool_]], value: float) -> Estimate:
    scatter, freedom = _within(values, sides)
    return _student(value, max(scatter * _of_both(sides), math.sqrt(2) * ROUNDED_DEG), freedom)


def _spread(values: Floats, value: float) -> Estimate:
    """A standard deviation with the interval of normal settings."""
    freedom, least = values.size - 1, max(value, ROUNDED_DEG)
    low, high = (least * math.sqrt(freedom / float(chdtri(freedom, p))) for p in (0.025, 0.975))
    return Estimate(value, least / math.sqrt(2 * freedom), (min(low, value), high))


def _student(value: float, error: float, freedom: int) -> Estimate:
    reach = float(stdtrit(freedom, 0.975)) * error
    return Estimate(value, error, (value - reach, value + reach))
