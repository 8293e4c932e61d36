"""The sensor: light to grey levels, with noise that never repeats; and the camera's own compression."""

from __future__ import annotations

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from capture.simulation.texture import Picture

BANK_SIZE = 1 << 18  # normal values kept ready for the noise


@njit(cache=True, nogil=True, error_model="numpy")
def mixed(state: np.uint64) -> np.uint64:
    """One step of SplitMix64 (Steele, Lea & Flood, OOPSLA 2014; from memory): a well-mixed 64-bit number."""
    state = state + np.uint64(0x9E3779B97F4A7C15)
    state = (state ^ (state >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    state = (state ^ (state >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return state ^ (state >> np.uint64(31))


@njit(cache=True, nogil=True, error_model="numpy")
def expose(
    scene: Picture,
    falloff: Picture,
    bank: Picture,
    key: np.uint64,
    level: float,
    photon_variance: float,
    read_noise: float,
) -> NDArray[np.uint8]:
    """Grey levels (h, w): scene * falloff * level, photon and read noise, rounded to 8 bits.

    bank: standard normal values; each row of each picture starts at its own place in it, chosen by `key`.
    photon_variance: variance in squared levels for each level; read_noise: standard deviation, levels.
    """
    height, width = scene.shape
    image = np.empty((height, width), np.uint8)
    room = np.uint64(bank.size - width)
    scale, photons, floor = np.float32(level), np.float32(photon_variance), np.float32(read_noise**2)
    low, high, half = np.float32(0.0), np.float32(255.0), np.float32(0.5)
    for y in range(height):
        start = np.int64(mixed(key * np.uint64(65536) + np.uint64(y)) % room)
        noise = bank[start : start + width]
        for x in range(width):
            signal = scene[y, x] * falloff[y, x] * scale
            value = signal + noise[x] * np.sqrt(signal * photons + floor)
            image[y, x] = np.uint8(min(max(value + half, low), high))
    return image


def compressed(image: NDArray[np.uint8], quality: int) -> NDArray[np.uint8]:
    """The picture as it comes out of a JPEG of this quality, 1 to 100 (the encoder's own scale)."""
    data = cv2.imencode(".jpg", image, (cv2.IMWRITE_JPEG_QUALITY, quality))[1]
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8)
