"""How far the pupil's centre is off on average in simulated eyes, the noise averaged out: its bias.

`python -m tests.bench.pupil_bias_table [--eyes 120] [--first 14000000] [--stills 24] [--worst 5]`.
Anatomy, camera, light, noise, lashes and gaze of an eye are drawn from its number: radius 15 to 60 px, 40 to
90 grey levels from pupil to iris, noise of 2 to 10 (SD), at least 60 % of the pupil in view. Each still has
another noise and another place within a pixel or so; the error is the mean over them, and its standard error
is told.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from capture.pupil import PupilFinder
from capture.samples import NO_PUPIL
from capture.simulation.anatomy import draw_eye
from capture.simulation.painter import EyeState, Look, Painter, PictureTruth
from tests.bench.pupil_table import VISIBLE
from tests.capture.pictures import LEVELS_IN_LIGHT, any_camera

BAR_PX = 0.04
STEP_DEG = 0.2  # of gaze between stills: up to a pixel or two


@dataclass(frozen=True, slots=True)
class BiasEye:
    """One eye as it is drawn, and how it looks."""

    number: int
    painter: Painter
    state: EyeState
    contrast: float  # grey levels
    noise: float  # SD, grey levels
    truth: PictureTruth

    def stills(self, count: int) -> Iterator[tuple[NDArray[np.uint8], PictureTruth]]:
        """Pictures and what is true of them."""
        rng = np.random.default_rng([self.number, 11])
        for turn in range(count):
            right, up = rng.uniform(-0.5, 0.5, 2) * STEP_DEG
            moved = self.state._replace(
                horizontal_deg=self.state.horizontal_deg + right, vertical_deg=self.state.vertical_deg + up
            )
            yield self.painter.image(moved, turn), self.painter.truth(moved)


def bias_eye(number: int) -> BiasEye:
    """The eye of this number; draws until the pupil has the size, and is in view."""
    rng = np.random.default_rng([number, 10])
    while True:
        noise, contrast = float(rng.uniform(2, 10)), float(rng.uniform(40, 90))
        size = ((320, 240), (640, 480))[rng.integers(2)]
        camera = replace(
            any_camera(rng), size_px=size, focal_px=float(50 * size[0] / rng.uniform(24, 42)),
            blur_px=float(rng.uniform(0.6, 1.3) * np.sqrt(size[0] / 320)), electrons_per_level=1e4,
            read_noise_levels=noise,
        )  # fmt: skip
        eye = draw_eye(number, "right" if rng.random() < 0.5 else "left")
        span = LEVELS_IN_LIGHT * (eye.iris_reflectance - eye.pupil_reflectance)
        state = EyeState(
            float(rng.uniform(-18, 18)), float(rng.uniform(-12, 12)), float(rng.uniform(-5, 5)),
            float(rng.uniform(1.5, 9.0)), float(rng.uniform(0.85, 1.1)), contrast / span,
        )  # fmt: skip
        painter = Painter(eye, camera, Look(lashes=float(rng.uniform(0, 1.1))))
        truth = painter.truth(state)
        if 15 <= np.sqrt(truth.major_px * truth.minor_px) <= 60 and truth.visible_share >= VISIBLE:
            return BiasEye(number, painter, state, contrast, noise, truth)


@dataclass(frozen=True, slots=True)
class Bias:
    """What was found of one eye."""

    eye: BiasEye
    x_px: float
    y_px: float
    error_px: float  # standard error of the worse axis
    answered: float  # share

    @property
    def px(self) -> float:
        """How far off."""
        return float(np.hypot(self.x_px, self.y_px))


def bias_of(number: int, stills: int) -> Bias:
    """Mean error over the stills of one eye."""
    eye, finder, errors = bias_eye(number), PupilFinder(), []
    for image, truth in eye.stills(stills):
        pupil = finder.find(image)
        if pupil is not NO_PUPIL:
            errors.append((pupil.x_px - truth.x_px, pupil.y_px - truth.y_px))
    if len(errors) < 2:
        return Bias(eye, np.nan, np.nan, np.nan, len(errors) / stills)
    (x, y), scatter = np.mean(errors, axis=0), np.std(errors, axis=0, ddof=1)
    return Bias(eye, float(x), float(y), float(scatter.max() / np.sqrt(len(errors))), len(errors) / stills)


def main(numbers: range, stills: int, worst: int) -> None:
    """Print the distribution and the worst eyes."""
    found = [bias_of(number, stills) for number in numbers]
    off = np.array([one.px for one in found])
    quantiles = " ".join(f"{v:.4f}" for v in np.nanquantile(off, (0.5, 0.9, 0.95, 1.0)))
    print(
        f"{len(found)} eyes from {numbers.start}: bias px (median, 90 %, 95 %, worst) {quantiles}; ", end=""
    )
    print(f"{np.sum(off > BAR_PX)} over {BAR_PX}, answered {np.mean([one.answered for one in found]):.2%}")
    for one in sorted(found, key=lambda b: -b.px)[:worst]:
        eye, truth = one.eye, one.eye.truth
        radius = np.sqrt(truth.major_px * truth.minor_px)
        print(
            f"  {eye.number}: x {one.x_px:+.3f} y {one.y_px:+.3f} +- {one.error_px:.3f} px; "
            f"radius {radius:.0f} px, {eye.state.pupil_mm:.1f} mm, visible {truth.visible_share:.2f}, "
            f"contrast {eye.contrast:.0f}, "
            f"noise {eye.noise:.1f}, texture {eye.painter.eye.iris_contrast:.2f}, answered {one.answered:.0%}"
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--eyes", type=int, default=120)
    parser.add_argument("--first", type=int, default=14_000_000)
    parser.add_argument("--stills", type=int, default=24)
    parser.add_argument("--worst", type=int, default=5)
    given = parser.parse_args()
    main(range(given.first, given.first + given.eyes), given.stills, given.worst)
