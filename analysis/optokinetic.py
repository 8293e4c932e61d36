"""Formulas of optokinetic nystagmus: gain and asymmetry of the slow phase against the moving field."""

from __future__ import annotations

import math

from analysis.estimate import LARGEST, Z_95, Estimate, error_of, must_be_finite, percent_of, with_error

LEAST_DPS = 1.0  # of a response, as of a nystagmus that is present (clinical 6); less gives ratios of noise
GREATEST_GAIN = 1.05  # more means a wrong calibration: the response cannot exceed the stimulus
GAIN_FORMULA = "slow-phase velocity / velocity of the field"
ASYMMETRY_FORMULA = "100 (|v| field to the right - |v| field to the left) / sum of both"


def gain(velocity: Estimate, field_dps: float) -> Estimate:
    """Slow-phase velocity over the field's, both signed; negative where the eye goes the other way.

    Raises ValueError for a field that rests, and for what is not finite.

    >>> gain(with_error(-27.0, 0.4), -40.0).value
    0.675
    """
    if not 1 / LARGEST <= abs(field_dps) <= LARGEST:
        raise ValueError(f"field_dps must be finite and not 0, got {field_dps}")
    must_be_finite(velocity=velocity.value)
    return with_error(velocity.value / field_dps, error_of(velocity.interval) / abs(field_dps))


def asymmetry(to_right: Estimate, to_left: Estimate, spontaneous: Estimate | None = None) -> Estimate | str:
    """Of the responses to a field that moves right and one that moves left, in percent; positive: right.

    Velocities signed, deg/s: positive to the right, negative to the left. `spontaneous` is the nystagmus
    without a field: it is taken off both. A string says why there is none.

    Raises ValueError for a velocity that is not finite.

    >>> none = with_error(0.0, 0.0)
    >>> round(asymmetry(with_error(31.0, 0.0), with_error(-27.0, 0.0), none).value, 1)
    6.9
    """
    rest = spontaneous or with_error(0.0, 0.0)
    must_be_finite(to_right=to_right.value, to_left=to_left.value, spontaneous=rest.value)
    right, left = to_right.value - rest.value, rest.value - to_left.value
    if right <= 0 or left <= 0:
        return "the eye did not follow the field both ways"
    errors = [error_of(e.interval) ** 2 for e in (to_right, to_left, rest)]
    top = math.sqrt(errors[0] + errors[1] + 4 * errors[2])  # the rest is in the difference twice
    bottom = math.sqrt(errors[0] + errors[1])  # and not in the sum
    if right + left - Z_95 * bottom < 2 * LEAST_DPS:
        return (
            f"the eye did not surely follow both fields by {LEAST_DPS:g} deg/s: a percentage would be noise"
        )
    return percent_of(right - left, right + left, top, bottom, errors[0] - errors[1])
