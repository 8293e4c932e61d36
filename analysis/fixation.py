"""Fixation suppression: the ratio and the difference, always both.

The index alone does not separate peripheral from central (Mantokoudis et al., Neurology 2021;97:e42-e51,
abstract): complete suppression was seen in strokes too, so nothing here names a place.
"""

from __future__ import annotations

from math import hypot

from analysis.estimate import Estimate, must_be_finite, percent_of, with_error

LEAST_VELOCITY_DPS = 4.0  # below this the ratio is one of noise (design choice)
FORMULA_INDEX = "|velocity with fixation| / |velocity in the dark|"
FORMULA_REDUCTION = "|velocity in the dark| - |velocity with fixation|"


def fixation_index(
    dark_dps: float, fixation_dps: float, dark_se_dps: float = 0.0, fixation_se_dps: float = 0.0
) -> Estimate | None:
    """Ocular fixation index F / D of slow-phase velocities: 0 full suppression, 1 none, above 1 enhancement.

    None where |D| is below 4 deg/s. Standard error by first-order propagation, interval as of a percentage. A
    gain that is off is in both and cancels.
    Formula: Alpert 1974; Demanez & Ledoux 1970 (from memory).

    Raises ValueError for a number that is not finite.

    >>> round(fixation_index(-8.0, -2.4).value, 2)
    0.3
    """
    _check(dark_dps, fixation_dps, dark_se_dps, fixation_se_dps)
    dark, fixation = abs(dark_dps), abs(fixation_dps)
    if dark < LEAST_VELOCITY_DPS:
        return None
    index = fixation / dark
    low, high = percent_of(fixation, dark, fixation_se_dps, dark_se_dps).interval
    error = hypot(fixation_se_dps, index * dark_se_dps) / dark
    return Estimate(index, error, (max(low / 100, 0.0), high / 100))


def suppression_percent(index: float) -> float:
    """Fixation suppression (1 - F/D) * 100, in percent.

    Raises ValueError for an index that is not finite.
    """
    must_be_finite(index=index)
    return (1.0 - index) * 100.0


def absolute_reduction(
    dark_dps: float, fixation_dps: float, dark_se_dps: float = 0.0, fixation_se_dps: float = 0.0
) -> Estimate:
    """By how much fixation lowers the speed of the slow phase, deg/s; negative when it raises it.

    Raises ValueError for a number that is not finite.
    """
    _check(dark_dps, fixation_dps, dark_se_dps, fixation_se_dps)
    return with_error(abs(dark_dps) - abs(fixation_dps), hypot(dark_se_dps, fixation_se_dps))


def _check(dark_dps: float, fixation_dps: float, dark_se_dps: float, fixation_se_dps: float) -> None:
    must_be_finite(dark_dps=dark_dps, fixation_dps=fixation_dps)
    must_be_finite(dark_se_dps=dark_se_dps, fixation_se_dps=fixation_se_dps)
