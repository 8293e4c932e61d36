"""How often pictures come from a camera, in words: how many arrive, and how many of them are new."""

from __future__ import annotations

from recordings.status import CameraStatus

ALIKE = 0.01  # rates this much alike are one


def rate_words(camera: CameraStatus, decimals: int = 0) -> str:
    """Such as "250 pictures/s, of them 125 new, 0 lost"; empty where the rate is not known yet."""
    new_hz, all_hz = camera.rate_hz, camera.delivered_hz or camera.rate_hz
    if all_hz is None:
        return ""
    arrive = f"{all_hz:.{decimals}f} pictures/s"
    if new_hz is None:
        return f"{arrive}, none of them new, {camera.lost} lost"
    if new_hz < (1.0 - ALIKE) * all_hz:
        return f"{arrive}, of them {new_hz:.{decimals}f} new, {camera.lost} lost"
    return f"{new_hz:.{decimals}f} pictures/s, {camera.lost} lost"
