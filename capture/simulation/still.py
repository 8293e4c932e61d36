"""Single pictures for tests and teaching: any gaze, pupil, light or noise, and pictures without a pupil."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from capture.samples import Eye
from capture.simulation.anatomy import SimulatedEye, draw_eye
from capture.simulation.camera import Camera
from capture.simulation.painter import EyeState, Look, Painter, PictureTruth


@lru_cache(maxsize=8)
def painter(eye: SimulatedEye, camera: Camera, look: Look) -> Painter:
    """A painter, kept for the next still of the same eye, camera and look."""
    return Painter(eye, camera, look)


def still(
    seed: int = 1,
    gaze_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
    pupil_mm: float = 3.5,
    camera: Camera | None = None,
    *,
    eye: Eye = "right",
    opening: float = 1.0,
    noise: float = 1.0,
    light: float = 1.0,
    gain: float = 1.0,
    blur_px: float | None = None,
    contrast: float = 1.0,
    glints: float = 1.0,
    lashes: float = 1.0,
    number: int = 0,
    anatomy: SimulatedEye | None = None,
) -> tuple[NDArray[np.uint8], PictureTruth]:
    """One picture (height, width) of the patient with this seed, and the truth about it.

    gaze_deg: Fick horizontal, vertical, torsion of the line of sight. opening: 1 usual, 0 shut.
    noise, contrast, glints, lashes: shares of the usual. light: infrared light; gain: of the sensor.
    blur_px: None takes the camera's. number: another gives other noise. anatomy: instead of the seed's.
    """
    look = Look(noise, contrast, glints, lashes, blur_px)
    artist = painter(anatomy or draw_eye(seed, eye), camera or Camera(), look)
    state = EyeState(*gaze_deg, pupil_mm, opening, light, gain)
    return artist.image(state, number), artist.truth(state)
