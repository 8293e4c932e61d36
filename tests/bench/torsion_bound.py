"""The least random error of torsion in a picture, and how near the reader comes to it.

`python -m tests.bench.torsion_bound --eyes 12 --phantom s02 s11`

A picture with independent noise of variance v at a pixel holds, about the parameters t of its noise-free grey
levels I, the Fisher information F_ij = sum over pixels of (dI/dt_i)(dI/dt_j) / v; no unbiased estimator has a
covariance below the inverse of F (sources: see `tests.bench.centre_bound`).

Simulated eyes: the derivatives are central differences of the very scene that is photographed, v is that of
the sensor's photon and read noise and 1/12 for rounding. Whoever reads torsion knows neither where the eye
looks, nor the pupil's size, nor the light, so the bound is that of all five together. The reader is measured
on pictures that differ in nothing but noise.

Phantom recordings (`--phantom s11`): nobody knows the noise-free picture, so it is the mean of the pictures
in which the eye looks nearly the same way, laid upon each other by the pupil and the rotation that were read.
The mean of few pictures holds noise, which would pass for pattern; the derivatives are therefore those of two
means over half of the pictures each, whose noise is independent: F_ij = sum of (dA/dt_i)(dB/dt_j) / v,
symmetrical. v is the mean square by which pixels of a picture differ from the mean laid back onto it, a
common brightness and contrast apart; what the mean misses of the pattern is in it, so v is rather too large.
Only the iris counts. The pupil tells the ring's place, stretch, shear and size, to some hundredths of a
pixel: the bound lies between that with all these known and with none, and both are printed. A coded picture
has lost pattern and its errors are alike over blocks of 8 pixels: this sum knows neither, and the true bound
lies higher.

Both are bounds of one picture against a reference without noise. A mean of 24 raises them by 2 %.
"""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.ellipse import semi_axes
from capture.iris_ring import limbus_px
from capture.pupil import PupilFinder
from capture.samples import NO_PUPIL
from capture.simulation.painter import EyeState, Look, Painter
from capture.simulation.surroundings import light_falloff
from capture.torsion import IrisReader
from capture.tracker import Tracker
from tests.bench.torsion_table import Session
from tests.conftest import DATA, WHOLE_PHANTOM

Floats = NDArray[np.float64]
STEPS = EyeState(0.2, 0.2, 0.2, 0.02, light=0.01)  # of the central differences: more than the scene's mesh
VARIED = (2, 0, 1, 3, 5)  # torsion first: the indices of STEPS that are not zero
NEAREST, FARTHEST = 1.15, 0.95  # ring of the iris that counts, of the pupil's and of the limbus' radius
PICTURES = 120  # of a recording, nearest to its usual gaze


class Turned(NamedTuple):
    """A picture, the outline of its pupil (x, y first) and the rotation of its iris."""

    picture: NDArray[np.uint8]
    outline: Floats
    turn_deg: float


def bound_deg(slopes: Floats, others: Floats, variance: Floats | float) -> float:
    """The first parameter's least SD from the slopes (parameters, pixels) of two pictures without noise."""
    information = slopes / variance @ others.T
    inverse = np.linalg.inv(0.5 * (information + information.T))
    return float(np.sqrt(inverse[0, 0])) if inverse[0, 0] > 0.0 else np.inf


def simulated_bound_deg(painter: Painter, look: Look, state: EyeState) -> float:
    """Bound of torsion in a picture of a simulated eye, in degrees."""
    camera, falloff = painter.camera, light_falloff(painter.eye, painter.camera)

    def levels(changed: EyeState) -> Floats:
        return np.minimum(255.0 * changed.light * falloff * painter.scene(changed).astype(float), 255.0)

    slopes = []
    for k in VARIED:
        step = np.where(np.arange(len(state)) == k, STEPS, 0.0)
        ahead, behind = (EyeState(*(np.array(state) + sign * step)) for sign in (1.0, -1.0))
        slopes.append((levels(ahead) - levels(behind)).ravel() / (2.0 * STEPS[k]))
    grey = levels(state).ravel()
    variance = look.noise**2 * (grey / camera.electrons_per_level + camera.read_noise_levels**2) + 1 / 12
    used = np.array(slopes) * (grey < 254.0)  # a saturated pixel tells nothing
    return bound_deg(used, used, variance)


def random_deg(painter: Painter, state: EyeState, pictures: int) -> float:
    """SD of the rotation that is read in pictures that differ in noise alone, after the reference's 24."""
    tracker = Tracker()
    seen = [tracker.track(painter.image(state, key)).rotation_deg for key in range(24 + pictures)]
    return float(np.nanstd(seen[24:], ddof=1))


def read_phantom(folder: Path) -> list[Turned]:
    """The pictures of a recording's first video in which the iris was read, and what was read."""
    video, seen = cv2.VideoCapture(str(next(folder.glob("video_*")))), []
    finder, reader = PupilFinder(), IrisReader()
    while True:
        ok, picture = video.read()
        if not ok:
            return seen
        grey = np.ascontiguousarray(picture[:, :, 0], np.uint8)
        if finder.find(grey) is not NO_PUPIL:
            turn_deg, _ = reader.read(grey, finder.outline)
            if turn_deg == turn_deg:
                seen.append(Turned(grey, finder.outline.copy(), turn_deg))


def laid_upon(seen: list[Turned], half: int, middle: float) -> Floats:
    """(n, side, side) pictures with the pupil in the middle and the iris turned to `middle` degrees."""
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    laid = []
    for picture, outline, turn_deg in seen:
        turn = np.radians(turn_deg - middle)
        at_x = outline[0] + np.cos(turn) * x - np.sin(turn) * y
        at_y = outline[1] + np.sin(turn) * x + np.cos(turn) * y
        laid.append(
            cv2.remap(picture, at_x.astype(np.float32), at_y.astype(np.float32), cv2.INTER_CUBIC).astype(
                float
            )
        )
    return np.array(laid)


def noise_variance(mean: Floats, seen: list[Turned], used: NDArray[np.bool_], middle: float) -> float:
    """Mean square of what pixels of the iris differ by from the mean picture laid back onto each of them."""
    half, squares = len(mean) // 2, []
    for picture, outline, turn_deg in seen[::4]:
        y, x = np.mgrid[: picture.shape[0], : picture.shape[1]].astype(float)
        x, y = x - outline[0], y - outline[1]
        turn = np.radians(turn_deg - middle)
        at_x = (np.cos(turn) * x + np.sin(turn) * y + half).astype(np.float32)
        at_y = (np.cos(turn) * y - np.sin(turn) * x + half).astype(np.float32)
        there = cv2.remap(used.astype(np.uint8), at_x, at_y, cv2.INTER_NEAREST) > 0
        expected = cv2.remap(mean.astype(np.float32), at_x, at_y, cv2.INTER_CUBIC)[there]
        line = np.polyfit(expected, picture[there], 1)
        squares.append(np.mean((picture[there] - np.polyval(line, expected)) ** 2))
    return float(np.median(squares))


def slopes_of(mean: Floats, used: NDArray[np.bool_]) -> Floats:
    """(6, pixels) change of a picture: per degree of turn; per px across, down; stretch, shear and size."""
    half = len(mean) // 2
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    down, across = np.gradient(mean)
    moves = (
        (-y, x),
        (1.0, 0.0),
        (0.0, 1.0),
        (x / half, -y / half),
        (y / half, x / half),
        (x / half, y / half),
    )
    slopes = np.array([np.asarray(across * dx + down * dy)[used] for dx, dy in moves])
    slopes[0] *= np.pi / 180.0
    return slopes


def recorded_bounds_deg(seen: list[Turned]) -> tuple[float, float, float]:
    """Bounds of torsion in the usual picture of a recording: the pupil known, unknown; SD of a pixel."""
    places = np.array([one.outline[:2] for one in seen])
    away = np.hypot(*(places - np.median(places, axis=0)).T)
    near = [seen[k] for k in np.sort(np.argsort(away)[:PICTURES])]
    pupil_px = float(np.median([semi_axes(one.outline[:5])[0] for one in near]))
    iris_px = float(np.nanmedian([limbus_px(one.picture, one.outline) for one in near]))
    middle, half = float(np.median([one.turn_deg for one in near])), int(iris_px) + 2
    laid = laid_upon(near, half, middle)
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    unrest, radius = np.asarray(laid.std(axis=0)), np.hypot(x, y)
    used = (radius > NEAREST * pupil_px) & (radius < FARTHEST * iris_px)
    used &= unrest < 1.5 * np.median(unrest[used])  # lids, lashes and glints stay with the head
    noise = noise_variance(laid.mean(axis=0), near, used, middle)
    one, other = (slopes_of(laid[first::2].mean(axis=0), used) for first in (0, 1))
    known, unknown = bound_deg(one[:1], other[:1], noise), bound_deg(one, other, noise)
    return known, unknown, math.sqrt(noise)


def neighbours_deg(seen: list[Turned]) -> float:
    """SD of the rotation from how neighbouring pictures differ: the eye's own movement counts in it."""
    turns = np.diff([one.turn_deg for one in seen])
    return float(1.4826 * np.median(np.abs(turns)) / np.sqrt(2.0))


def main() -> None:
    """Print bound, measured SD and their ratio for each eye."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--eyes", type=int, default=12)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--width", type=int, default=320)
    parser.add_argument("--phantom", nargs="*", default=[])
    asked = parser.parse_args()
    for seed in range(asked.first, asked.first + asked.eyes):
        session = Session(seed, (asked.width, asked.width * 3 // 4))
        least = simulated_bound_deg(session.painter, session.look, session.usual)
        found = random_deg(session.painter, session.usual, 60)
        print(
            f"eye {seed}: bound {least:.4f} deg, read {found:.4f} deg, {found / least:.2f} times", flush=True
        )
    place = WHOLE_PHANTOM if WHOLE_PHANTOM.is_dir() else DATA / "phantom"
    for folder in sorted(folder for name in asked.phantom for folder in place.glob(f"{name}_*")):
        seen = read_phantom(folder)
        known, unknown, noise = recorded_bounds_deg(seen)
        print(
            f"{folder.name}: bound {known:.4f} (pupil known) to {unknown:.4f} deg, noise {noise:.1f}; "
            f"neighbours differ by {neighbours_deg(seen):.4f} deg"
        )


if __name__ == "__main__":
    main()
