from __future__ import annotations

import msgspec
import pytest

from capture.errors import ProfileError
from capture.light_gate import light_gate
from capture.profile import CameraProfile, EyeView, GoggleProfile

GOGGLES = GoggleProfile("bench set", (CameraProfile("SN-4711", (EyeView("right"),)),))


def with_light(irradiance_w_m2: float | None) -> GoggleProfile:
    return msgspec.structs.replace(GOGGLES, irradiance_w_m2=irradiance_w_m2)


@pytest.mark.parametrize("irradiance", [None, float("nan"), float("inf"), 0.0, -3.0])
def test_no_figure_is_bench_only(irradiance: float | None) -> None:
    verdict = light_gate(with_light(irradiance))
    assert verdict.allowed == "bench only"
    assert "no figure" in verdict.reason
    assert "bench set" in verdict.reason


@pytest.mark.parametrize(
    ("irradiance", "allowed", "warned"),
    [
        (0.5, "patient", False),
        (10.0, "patient", False),
        (10.1, "patient", True),
        (50.0, "patient", True),
        (50.1, "bench only", True),
        (100.0, "bench only", True),
    ],
)
def test_the_limits_of_the_clinical_reference(irradiance: float, allowed: str, warned: bool) -> None:
    """27.17: design up to 10, 10 to 50 warns, above 50 not for patients."""
    verdict = light_gate(with_light(irradiance))
    assert verdict.allowed == allowed
    assert bool(verdict.reason) == warned


def test_a_clinic_may_lower_the_limit() -> None:
    assert light_gate(with_light(20.0), 15.0).allowed == "bench only"
    assert "15 W/m2" in light_gate(with_light(20.0), 15.0).reason
    assert light_gate(with_light(14.0), 15.0).allowed == "patient"


@pytest.mark.parametrize("limit", [50.1, 100.0, 0.0, -1.0, float("nan"), float("inf")])
def test_a_clinic_may_never_raise_it(limit: float) -> None:
    with pytest.raises(ProfileError, match="never higher"):
        light_gate(with_light(20.0), limit)
