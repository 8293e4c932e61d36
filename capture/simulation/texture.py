"""What the surfaces look like: iris, sclera, skin and lashes, drawn once for an eye and a camera."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
REFERENCE_PUPIL = 0.3  # the iris is kept as it looks when the pupil is this share of its width


def noise_field(
    rng: np.random.Generator, shape: tuple[int, int], cells: tuple[int, int], ring: bool = False
) -> Picture:
    """Smooth noise (rows, columns) with `cells` independent values each way, mean 0, deviation about 1.

    `ring`: the last column joins the first.
    """
    rows, columns = max(cells[0], 2), max(cells[1], 4)
    grid = rng.standard_normal((rows, columns)).astype(np.float32)
    if not ring:
        return np.asarray(cv2.resize(grid, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC), np.float32)
    grid = np.concatenate([grid[:, -4:], grid, grid[:, :4]], axis=1)
    step = shape[1] / columns
    wide = cv2.resize(grid, (round(step * (columns + 8)), shape[0]), interpolation=cv2.INTER_CUBIC)
    start = round(4 * step)
    return np.asarray(wide[:, start : start + shape[1]], np.float32)


def spread(picture: NDArray[np.floating]) -> Picture:
    """Shift and scale to mean 0 and standard deviation 1."""
    return ((picture - picture.mean()) / picture.std()).astype(np.float32)


def iris_ring(rng: np.random.Generator) -> Picture:
    """(128, 1024) pattern of an iris from the pupil's edge (row 0) to the limbus, round once; mean 0, SD 1.

    Radial fibres at several widths that wave a little, a brighter wavy collarette, dark crypts round it,
    fine pits, and faint furrows that run round the outer part.
    """
    shape = (128, 1024)
    fibres = sum(
        weight * noise_field(rng, shape, (along, around), ring=True)
        for along, around, weight in (
            (3, 18, 0.7),
            (4, 48, 0.8),
            (5, 110, 0.9),
            (7, 230, 0.7),
            (9, 420, 0.45),
        )
    )
    blotches = 0.5 * noise_field(rng, shape, (4, 10), ring=True)
    depth = np.linspace(0, 1, shape[0], dtype=np.float32)[:, None]
    collarette = 0.27 + 0.05 * noise_field(rng, shape, (2, 14), ring=True)[:1]
    ridge = 1.6 * np.exp(-(((depth - collarette) / 0.045) ** 2)) - 0.5 * (depth < collarette)
    furrows = sum(
        -0.8
        * np.exp(-(((depth - at - 0.02 * noise_field(rng, shape, (2, 9), ring=True)[:1]) / 0.02) ** 2))
        * np.clip(noise_field(rng, shape, (2, 7), ring=True)[:1], 0, 1)
        for at in (0.55, 0.68, 0.8)
    )
    pattern = fibres + blotches + ridge + furrows - 2.2 * crypts(rng, shape)
    return spread(pattern - 0.8 * depth**4)


def crypts(rng: np.random.Generator, shape: tuple[int, int]) -> Picture:
    """(rows, columns) share 0..1 of darkness by crypts and pits at random places round the ring."""
    rows, columns = shape
    dark = np.zeros((rows, 3 * columns), np.float32)
    for _ in range(int(rng.integers(22, 40))):
        centre = (int(rng.integers(columns, 2 * columns)), int(rows * rng.normal(0.33, 0.06)))
        size = (int(rng.integers(6, 26)), int(rows * rng.uniform(0.04, 0.13)))
        cv2.ellipse(dark, centre, size, float(rng.uniform(-12, 12)), 0, 360, float(rng.uniform(0.4, 1.0)), -1)
    for _ in range(int(rng.integers(30, 70))):
        centre = (int(rng.integers(columns, 2 * columns)), int(rows * rng.uniform(0.4, 0.95)))
        cv2.ellipse(dark, centre, (int(rng.integers(2, 8)), int(rng.integers(2, 6))), 0, 0, 360, 0.7, -1)
    folded = np.maximum(np.maximum(dark[:, :columns], dark[:, columns : 2 * columns]), dark[:, 2 * columns :])
    return np.asarray(cv2.GaussianBlur(folded, (0, 0), 1.5, borderType=cv2.BORDER_REPLICATE), np.float32)


def iris_disc(ring: Picture, half_px: int) -> Picture:
    """(2 half + 1, same) the ring laid out flat at the reference pupil; x and y as the eye's x and y.

    Pixels are averaged over their own width, so that fine fibres near the pupil do not alias.
    """
    over = 3
    n = (2 * half_px + 1) * over
    along = (np.arange(n, dtype=np.float32) + 0.5) / over - 0.5 - half_px
    radius = np.hypot(along[None, :], along[:, None]) / half_px
    angle = np.arctan2(along[:, None], along[None, :])
    depth = np.clip((radius - REFERENCE_PUPIL) / (1 - REFERENCE_PUPIL), 0, 1) * (ring.shape[0] - 1)
    columns = (angle / (2 * np.pi) % 1.0) * ring.shape[1]
    closed = np.concatenate([ring, ring[:, :2]], axis=1)
    fine = cv2.remap(closed, columns.astype(np.float32), depth.astype(np.float32), cv2.INTER_LINEAR)
    small = cv2.resize(fine, (2 * half_px + 1, 2 * half_px + 1), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32)


def sclera_map(rng: np.random.Generator, half_px: int) -> Picture:
    """(2 half + 1, same) brightness of the white of the eye, mean near 1, with vessels toward the limbus."""
    n = 2 * half_px + 1
    picture = 1 + 0.02 * noise_field(rng, (n, n), (9, 9)) + 0.012 * noise_field(rng, (n, n), (40, 40))
    vessels = np.zeros((n, n), np.float32)
    for _ in range(46):
        angle, radius = rng.uniform(0, 2 * np.pi), 1.0
        points = []
        for _ in range(26):
            points.append(
                (half_px + half_px * radius * np.cos(angle), half_px + half_px * radius * np.sin(angle))
            )
            radius -= 0.03
            angle += rng.normal(0, 0.035)
        line = np.round(np.array(points) * 8).astype(np.int32)
        cv2.polylines(vessels, [line], False, float(rng.uniform(0.05, 0.16)), 1, cv2.LINE_AA, 3)
    return (picture - cv2.GaussianBlur(vessels, (0, 0), 0.7)).astype(np.float32)


def skin_map(rng: np.random.Generator, size_mm: tuple[float, float], mm_per_px: float) -> Picture:
    """Pattern of a patch of skin, size_mm wide and high: pores, fine creases, blotches; mean near 1."""
    shape = (round(size_mm[1] / mm_per_px), round(size_mm[0] / mm_per_px))

    def layer(across_mm: float, down_mm: float) -> Picture:
        return noise_field(rng, shape, (int(size_mm[1] / down_mm), int(size_mm[0] / across_mm)))

    creases = np.minimum(layer(3.0, 0.55), 0)
    pattern = 1 + 0.05 * layer(8, 6) + 0.035 * layer(1.5, 1.2) + 0.03 * layer(0.35, 0.3) + 0.035 * creases
    return np.asarray(pattern, np.float32)


def lash_strip(
    rng: np.random.Generator, width: int, height: int, mm_per_px: float, density: float
) -> Picture:
    """(height, width) darkness 0..1 of the lashes of one lid, row 0 at the roots, in picture pixels."""
    over = 4
    strip = np.zeros((height * over, width * over), np.float32)
    px = over / mm_per_px
    for root in np.arange(-2.0, width * mm_per_px + 2.0, 0.42 / max(density, 0.05)):
        x = (root + rng.normal(0, 0.18)) * px
        lean = (x / (width * over) - 0.5) * 1.3 + rng.normal(0, 0.16)
        length = abs(rng.normal(2.6, 0.8)) * px
        share = np.linspace(0, 1, 8)
        points = np.stack([x + lean * length * share**1.4, length * share * (1 - 0.35 * share)], axis=1)
        line = np.round(points * 8).astype(np.int32)
        dark = float(rng.uniform(0.55, 0.9))
        for k in range(7):
            thick = max(1, round(0.16 * px * (1 - k / 8)))
            cv2.line(strip, tuple(line[k].tolist()), tuple(line[k + 1].tolist()), dark, thick, cv2.LINE_AA, 3)
    return np.asarray(cv2.resize(strip, (width, height), interpolation=cv2.INTER_AREA), np.float32)
