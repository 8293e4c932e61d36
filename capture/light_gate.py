"""The light gate: no live recording of a patient by goggles whose infrared light nobody has measured.

The eye neither turns away from infrared light nor feels it, so the figure for the irradiance at the cornea
is the only warning. Files and simulated patients are free of the gate: nobody sits behind the light.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from capture.errors import ProfileError
from capture.profile import GoggleProfile

PATIENT_LIMIT_W_M2 = 50.0  # clinical.md 27.17; half the published 100 W/m2 for more than 1000 s (ICNIRP 2013)
WARNING_W_M2 = 10.0  # clinical.md 27.17 and 22.2: the design target

Allowed = Literal["patient", "bench only"]


@dataclass(frozen=True, slots=True)
class LightVerdict:
    """What may be recorded live with a set of goggles."""

    allowed: Allowed
    reason: str  # why only the bench, or a warning; "" when there is nothing to say


def light_gate(profile: GoggleProfile, clinic_limit_w_m2: float | None = None) -> LightVerdict:
    """Judge the profile of live goggles by its irradiance at the cornea, in W/m2.

    `clinic_limit_w_m2`: the clinic's own, lower limit for patients. Raises ProfileError when that limit is
    not a positive number up to 50 W/m2: a clinic may lower the limit, never raise it.
    """
    limit = _limit(clinic_limit_w_m2)
    irradiance = profile.irradiance_w_m2
    if irradiance is None or not math.isfinite(irradiance) or irradiance <= 0:
        return LightVerdict(
            "bench only",
            f"The profile of these goggles ({profile.name}) has no figure for the infrared irradiance at the "
            "cornea. Only bench recordings, without a patient, can be made. Have it measured and enter it.",
        )
    if irradiance > limit:
        return LightVerdict(
            "bench only",
            f"The goggles {profile.name} send {irradiance:g} W/m2 of infrared light to the cornea, more than "
            f"the {limit:g} W/m2 allowed for patients. Only bench recordings without a patient are made.",
        )
    warning = ""
    if irradiance > WARNING_W_M2:
        warning = (
            f"The goggles {profile.name} send {irradiance:g} W/m2 of infrared light to the cornea; "
            f"the target is {WARNING_W_M2:g} W/m2 or less. Keep the recording short."
        )
    return LightVerdict("patient", warning)


def _limit(clinic_limit_w_m2: float | None) -> float:
    if clinic_limit_w_m2 is None:
        return PATIENT_LIMIT_W_M2
    if not 0 < clinic_limit_w_m2 <= PATIENT_LIMIT_W_M2:
        raise ProfileError(
            f"The clinic's limit for infrared light is {clinic_limit_w_m2:g} W/m2. It may be "
            f"{PATIENT_LIMIT_W_M2:g} W/m2 or lower, never higher, and not 0. Nothing was recorded; "
            "correct the setting."
        )
    return clinic_limit_w_m2
