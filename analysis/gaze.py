"""Formulas of gaze holding: the integrator's time constant, Alexander's law, degrees of a nystagmus."""

from __future__ import annotations

from analysis.estimate import LARGEST, are_numbers, must_be_finite


def integrator_time_constant_s(eccentricity_deg: float, slow_phase_velocity_dps: float) -> float | None:
    """Time constant |E| / |v| of a leaky integrator, s; None where the eye does not drift toward the centre.

    Raises ValueError where the eccentricity is 0 or one is not finite.

    >>> integrator_time_constant_s(25.0, -2.5)
    10.0
    """
    if not (are_numbers(eccentricity_deg, slow_phase_velocity_dps) and eccentricity_deg):
        raise ValueError(f"eccentricity_deg must be finite and not 0, got {eccentricity_deg}")
    if eccentricity_deg * slow_phase_velocity_dps >= 0 or abs(slow_phase_velocity_dps) < 1 / LARGEST:
        return None
    return abs(eccentricity_deg / slow_phase_velocity_dps)


def alexander_slope(fast_side_dps: float, slow_side_dps: float, between_deg: float = 40.0) -> float:
    """Change of speed with gaze, deg/s per deg: (|v| toward the fast phase - |v| toward the slow) / distance.

    Positive: obeys Alexander's law. Raises ValueError for a distance that is not above 0, and for what is not
    finite.

    >>> alexander_slope(12.0, 4.0)
    0.2
    """
    must_be_finite(fast_side_dps=fast_side_dps, slow_side_dps=slow_side_dps, between_deg=between_deg)
    if not between_deg > 1 / LARGEST:
        raise ValueError(f"between_deg must be above 0, got {between_deg}")
    return (abs(fast_side_dps) - abs(slow_side_dps)) / between_deg


def degree_of_nystagmus(fast_side: bool, centre: bool, slow_side: bool) -> str:
    """First, second or third degree of a nystagmus of one direction; "" where the gazes do not fit one.

    >>> degree_of_nystagmus(True, True, False)
    'second degree'
    """
    names = {
        (True, False, False): "first degree",
        (True, True, False): "second degree",
        (True, True, True): "third degree",
    }
    return names.get((fast_side, centre, slow_side), "")
