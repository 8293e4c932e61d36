"""Every formula of the caloric test for one eye, from what it did after each irrigation."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace

from analysis.caloric import (
    MONOTHERMAL_SPONTANEOUS_DPS,
    Irrigation,
    Responses,
    absolute_preponderance,
    absolute_weakness,
    baseline_shift,
    directional_preponderance,
    ear_sum,
    gain_asymmetry,
    linear_paresis,
    monothermal_asymmetry,
    preponderance_of_spontaneous,
    unilateral_weakness,
)
from analysis.estimate import Estimate
from analysis.finding import Finding
from analysis.marking import DIRECTION_NOT_PROVEN, RATE_NOT_PROVEN, UNCALIBRATED
from capture.samples import EYES, Eye

WEAKNESS, PREPONDERANCE, SHIFT = "unilateral_weakness", "directional_preponderance", "baseline_shift"
GAIN, MONOTHERMAL = "gain_asymmetry", "monothermal_asymmetry"
NAMES = {
    "right_sum": ("right ear, warm and cool together", "deg/s", "RW + RC, in the expected directions"),
    "left_sum": ("left ear, warm and cool together", "deg/s", "LW + LC, in the expected directions"),
    WEAKNESS: ("unilateral weakness (positive: left ear weaker)", "%", "100 (R - L) / (R + L)"),
    "absolute_weakness": ("right sum minus left sum", "deg/s", "R - L"),
    "linear_paresis": ("weaker ear against the stronger", "%", "100 (1 - weak / strong)"),
    PREPONDERANCE: (
        "directional preponderance (positive: right-beating stronger)",
        "%",
        "100 ((RW + LC) - (RC + LW)) / (R + L)",
    ),
    "absolute_preponderance": ("right-beating minus left-beating", "deg/s", "(RW + LC) - (RC + LW)"),
    SHIFT: ("baseline shift (positive: right-beating)", "deg/s", "mean right-beating speed of the four"),
    "preponderance_of_spontaneous": (
        "preponderance due to the nystagmus before the irrigations",
        "%",
        "100 (sum of the four before) / (R + L)",
    ),
    GAIN: ("gain asymmetry", "%", "preponderance - that of the nystagmus before the irrigations"),
    MONOTHERMAL: ("warm irrigations alone (positive: left ear weaker)", "%", "100 (RW - LW) / (RW + LW)"),
}
NOT_MEASURED = "nystagmus before each of the irrigations was not measured"
LOST_IN_NOISE = "the responses together are not certainly above 0: a percentage would be noise"


def eye_findings(
    responses: Responses, eye: Eye, marks: tuple[str, ...], missing: Mapping[Irrigation, str]
) -> list[Finding]:
    """Every formula for one eye; what misses an irrigation stands with its reason."""
    whys = {irrigation: f"{' '.join(irrigation)}: {why}" for irrigation, why in missing.items()}
    why = "; ".join(whys.values())
    why_warm = "; ".join(text for (_, temperature), text in whys.items() if temperature == "warm")
    formulas: dict[str, Callable[[Responses], Estimate | None]] = {
        "right_sum": lambda r: ear_sum(r, "right"),
        "left_sum": lambda r: ear_sum(r, "left"),
        WEAKNESS: unilateral_weakness,
        "absolute_weakness": absolute_weakness,
        "linear_paresis": lambda r: (linear_paresis(r) or (None,))[0],
        PREPONDERANCE: directional_preponderance,
        "absolute_preponderance": absolute_preponderance,
        SHIFT: baseline_shift,
        "preponderance_of_spontaneous": preponderance_of_spontaneous,
        GAIN: gain_asymmetry,
    }
    found = [_made(key, eye, marks, why, formula, responses) for key, formula in formulas.items()]
    why_warm = why_warm or _beaten_before(responses)
    return [*found, _made(MONOTHERMAL, eye, marks, why_warm, monothermal_asymmetry, responses)]


def _beaten_before(responses: Responses) -> str:
    """Nystagmus before a warm irrigation that spoils the asymmetry of the warm ones; "" without any."""
    before = {ear: responses[ear, "warm"].before_dps or 0.0 for ear in EYES}
    return "; ".join(
        f"{abs(dps):.1f} deg/s before the {ear} warm irrigation, which alters it: below "
        f"{MONOTHERMAL_SPONTANEOUS_DPS:g} needed"
        for ear, dps in before.items()
        if abs(dps) >= MONOTHERMAL_SPONTANEOUS_DPS
    )


def _made(
    key: str,
    eye: Eye,
    marks: tuple[str, ...],
    why: str,
    formula: Callable[[Responses], Estimate | None],
    responses: Responses,
) -> Finding:
    name, unit, text = NAMES[key]
    # A percentage outlives a wrong scale; a picture that may be mirrored exchanges the ears.
    kept = tuple(m for m in marks if unit != "%" or m not in (UNCALIBRATED, RATE_NOT_PROVEN))
    whole = Finding(key, name, unit, reason=why or "-", eye=eye, marks=kept, formula=text)
    if why:
        return whole
    if DIRECTION_NOT_PROVEN in marks:
        return replace(whole, reason=f"{eye} eye: {DIRECTION_NOT_PROVEN}")
    try:
        value = formula(responses)
    except ValueError:  # the responses add up to 0
        return replace(whole, reason=LOST_IN_NOISE)
    if value is None:
        return replace(whole, reason=NOT_MEASURED if key != "linear_paresis" else LOST_IN_NOISE)
    if unit == "%" and not all(map(math.isfinite, value.interval)):
        return replace(whole, reason=LOST_IN_NOISE)
    return replace(
        whole, value=value.value, reason="", standard_error=value.standard_error, interval=value.interval
    )
