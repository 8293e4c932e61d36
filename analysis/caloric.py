"""The formulas of the bithermal caloric test, from numbers alone.

Stored sign: n = right-beating speed, which is minus the horizontal slow-phase velocity. A warm irrigation
excites and beats toward its ear, a cool one inhibits and beats away from it (cold opposite, warm same; lying
on the back, head raised 30 deg). Every formula uses signed responses: one that beats the wrong way counts
negative. Sign of the weakness: positive means the LEFT ear is weaker; words carry the side, the sign alone
never does.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from analysis.estimate import Estimate, are_numbers, must_be_finite, percent_of, with_error
from capture.samples import EYES, Eye

Temperature = Literal["warm", "cool"]
Irrigation = tuple[Eye, Temperature]  # ear, temperature
IRRIGATIONS: tuple[Irrigation, ...] = (
    ("right", "warm"), ("left", "warm"), ("right", "cool"), ("left", "cool")
)  # fmt: skip

# Strupp et al., J Vestib Res 2017;27:177-189 (abstract): each side's warm and cool peaks together below this.
BILATERAL_SUM_DPS = 6.0
# Agrawal et al., J Vestib Res 2019;29:161-170 (abstract): between these on each side, from 60 years on.
PRESBY_SUM_DPS, PRESBY_AGE_YEARS = (6.0, 25.0), 60
# Ear Hear 2009;30:54-62 (abstract): warm responses that end the test; sensitivity 95 %, specificity 71 %.
MONOTHERMAL_PERCENT, MONOTHERMAL_DPS, MONOTHERMAL_SPONTANEOUS_DPS = 15.0, 8.0, 4.0
HYPERACTIVE_SUM_DPS = 140.0  # each ear (from memory, Barin; contested)


@dataclass(frozen=True, slots=True)
class Response:
    """One irrigation: right-beating speed at its culmination, its standard error, and the same before it."""

    right_beating_dps: float
    standard_error_dps: float = 0.0
    before_dps: float | None = None  # right-beating speed just before the irrigation; None: not measured
    before_error_dps: float = 0.0  # standard error of that


Responses = Mapping[Irrigation, Response]


def right_beating(slow_phase_velocity_dps: float) -> float:
    """Right-beating speed of a horizontal slow-phase velocity (positive: to the patient's right).

    Raises ValueError for one that is not finite.

    >>> right_beating(-12.0)
    12.0
    """
    must_be_finite(slow_phase_velocity_dps=slow_phase_velocity_dps)
    return -slow_phase_velocity_dps


def expected_sign(irrigation: Irrigation) -> int:
    """+1 where the irrigation should beat to the patient's right, -1 where to the left."""
    ear, temperature = irrigation
    return 1 if (ear == "right") == (temperature == "warm") else -1


def expected_direction(irrigation: Irrigation) -> Eye:
    """Side to which the irrigation should beat."""
    return "right" if expected_sign(irrigation) > 0 else "left"


def in_expected_direction(irrigation: Irrigation, right_beating_dps: float) -> float:
    """Speed in the expected direction: negative where it beats the other way."""
    return expected_sign(irrigation) * right_beating_dps


def ear_sum(responses: Responses, ear: Eye) -> Estimate:
    """Warm and cool response of one ear together, deg/s. Raises ValueError where one is missing."""
    warm, cool = _of(responses, (ear, "warm")), _of(responses, (ear, "cool"))
    value = in_expected_direction((ear, "warm"), warm.right_beating_dps)
    value += in_expected_direction((ear, "cool"), cool.right_beating_dps)
    return with_error(value, math.hypot(warm.standard_error_dps, cool.standard_error_dps))


def total(responses: Responses) -> Estimate:
    """All four responses together, deg/s."""
    right, left = (ear_sum(responses, ear) for ear in EYES)
    return with_error(right.value + left.value, math.hypot(right.standard_error, left.standard_error))


def absolute_weakness(responses: Responses) -> Estimate:
    """Right sum minus left sum, deg/s; positive: the left ear is weaker."""
    right, left = (ear_sum(responses, ear) for ear in EYES)
    return with_error(right.value - left.value, math.hypot(right.standard_error, left.standard_error))


def unilateral_weakness(responses: Responses) -> Estimate:
    """Unilateral weakness (canal paresis) 100 (R - L) / (R + L), %; positive: the LEFT ear is weaker.

    Formula of Jongkees. Constant spontaneous nystagmus does not alter it, so none is taken off.

    Raises ValueError where an irrigation is missing or all together give 0.
    """
    right, left = (ear_sum(responses, ear) for ear in EYES)
    shared = right.standard_error**2 - left.standard_error**2
    return _share(responses, right.value - left.value, shared)


def absolute_preponderance(responses: Responses) -> Estimate:
    """Right-beating responses minus left-beating ones, deg/s; positive: right-beating is stronger."""
    n = [_of(responses, i) for i in IRRIGATIONS]
    value = sum(r.right_beating_dps for r in n)  # (RW + LC) - (RC + LW) in expected directions
    return with_error(value, math.hypot(*(r.standard_error_dps for r in n)))


def directional_preponderance(responses: Responses) -> Estimate:
    """Directional preponderance 100 ((RW + LC) - (RC + LW)) / total, %; positive: right-beating stronger."""
    shared = sum(expected_sign(i) * _of(responses, i).standard_error_dps ** 2 for i in IRRIGATIONS)
    return _share(responses, absolute_preponderance(responses).value, shared)


def baseline_shift(responses: Responses) -> Estimate:
    """Mean right-beating speed of the four irrigations, deg/s."""
    whole = absolute_preponderance(responses)
    return with_error(whole.value / 4, whole.standard_error / 4)


def preponderance_of_spontaneous(responses: Responses) -> Estimate | None:
    """The part of the preponderance that the nystagmus before the irrigations explains, %.

    None where it was not measured before each of the four.
    """
    known = _before(responses)
    if known is None:
        return None
    whole, error = total(responses), math.hypot(*(_of(responses, i).before_error_dps for i in IRRIGATIONS))
    return percent_of(sum(known), whole.value, error, whole.standard_error)


def gain_asymmetry(responses: Responses) -> Estimate | None:
    """Preponderance that is left after that of spontaneous nystagmus, %; None where that was not measured.

    Never from the baseline shift: the preponderance is 400 x shift / total for any data, so 0 would be left.
    """
    known = _before(responses)
    if known is None:
        return None
    each = [_of(responses, i) for i in IRRIGATIONS]
    shared = sum(expected_sign(i) * _of(responses, i).standard_error_dps ** 2 for i in IRRIGATIONS)
    error = math.hypot(*(r.standard_error_dps for r in each), *(r.before_error_dps for r in each))
    whole = total(responses)
    left = absolute_preponderance(responses).value - sum(known)
    return percent_of(left, whole.value, error, whole.standard_error, shared)


def _before(responses: Responses) -> list[float] | None:
    before = [_of(responses, i).before_dps for i in IRRIGATIONS]
    known = [dps for dps in before if dps is not None]
    return known if len(known) == len(before) else None


def linear_paresis(responses: Responses) -> tuple[Estimate, Eye] | None:
    """Weaker ear against the stronger one, 100 (1 - weak / strong), %, and the weaker ear.

    Where either ear may be the weaker one the interval reaches from 0 to the greater of both paresis. None
    where they are equal, or where the stronger one is not above 0.
    """
    sums = {ear: ear_sum(responses, ear) for ear in EYES}
    weaker: Eye = "right" if sums["right"].value < sums["left"].value else "left"
    weak, strong = sums[weaker], sums["left" if weaker == "right" else "right"]
    if strong.value <= 0 or strong.value == weak.value:
        return None
    errors = math.hypot(weak.standard_error, strong.standard_error), strong.standard_error
    found = percent_of(strong.value - weak.value, strong.value, *errors, strong.standard_error**2)
    low, high = found.interval
    if math.isfinite(low) and low < 0:  # the other ear weaker: strong / weak = 1 - low / 100
        low, high = 0.0, max(high, 100 * (1 - 1 / (1 - low / 100)))
    return Estimate(found.value, found.standard_error, (low, high)), weaker


def monothermal_asymmetry(responses: Responses) -> Estimate:
    """Asymmetry of the warm irrigations alone, 100 (R - L) / (R + L), %; positive: the left ear is weaker.

    Spontaneous nystagmus alters it. Raises ValueError where an ear is missing or both together give 0.
    """
    right, left = (_of(responses, (ear, "warm")) for ear in EYES)
    e_right = in_expected_direction(("right", "warm"), right.right_beating_dps)
    e_left = in_expected_direction(("left", "warm"), left.right_beating_dps)
    squares = (right.standard_error_dps**2, left.standard_error_dps**2)
    both = math.sqrt(sum(squares))
    return percent_of(e_right - e_left, e_right + e_left, both, both, squares[0] - squares[1])


def may_stop_after_warm(responses: Responses) -> bool | str:
    """Whether the warm irrigations alone end the test, or why that cannot be told.

    All of: asymmetry below 15 %, both responses above 8 deg/s, spontaneous nystagmus below 4 deg/s.
    """
    pair = [_of(responses, (ear, "warm")) for ear in EYES]
    before = [r.before_dps for r in pair if r.before_dps is not None]
    if len(before) < 2:
        return "nystagmus before the irrigations was not measured"
    speeds = [
        in_expected_direction((ear, "warm"), response.right_beating_dps)
        for ear, response in zip(EYES, pair, strict=True)
    ]
    return (
        min(speeds) > MONOTHERMAL_DPS
        and max(map(abs, before)) < MONOTHERMAL_SPONTANEOUS_DPS
        and abs(monothermal_asymmetry(responses).value) < MONOTHERMAL_PERCENT
    )


def both_sides(responses: Responses, age_years: int | None) -> Literal["bilateral", "presby", "", "age"]:
    """Which criterion for both sides is met: sums below 6 deg/s, or from 6 to 25 at 60 years and more.

    "age": the second would be met, but the age is not known. It says nothing of the cause.
    """
    sums = [ear_sum(responses, ear).value for ear in EYES]
    if max(sums) < BILATERAL_SUM_DPS:
        return "bilateral"
    low, high = PRESBY_SUM_DPS
    if not all(low < value < high for value in sums):
        return ""
    if age_years is None:
        return "age"
    return "presby" if age_years >= PRESBY_AGE_YEARS else ""


def _share(responses: Responses, top: float, covariance: float) -> Estimate:
    whole = total(responses)
    if whole.value == 0:
        raise ValueError("responses must not add up to 0")
    return percent_of(top, whole.value, whole.standard_error, whole.standard_error, covariance)


def _of(responses: Responses, irrigation: Irrigation) -> Response:
    if irrigation not in responses:
        raise ValueError(f"responses must hold the {irrigation[0]} {irrigation[1]} irrigation")
    found = responses[irrigation]
    known = (
        found.right_beating_dps,
        found.standard_error_dps,
        found.before_dps or 0.0,
        found.before_error_dps,
    )
    if not are_numbers(known):
        raise ValueError(f"responses must be finite, got {found} of {irrigation}")
    return found
