"""Torsion and stillness through pictures of invented eyes: `python -m tests.bench.torsion_table --eyes 24`.

Each eye has its own camera (azimuth -10 to 30 deg, elevation -25 to 10 deg, roll, distance, blur), light,
noise, lashes, lids and pupil; every other one sends JPEG. Targets, tracker, calibration and degrees are the
product's. Torsion counts from its median on each eye's own straight-ahead pictures; frames with at least 90 %
of the pupil in view count as visible.
"""

from __future__ import annotations

import argparse
from collections import defaultdict

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.calibration import calibrate, degrees
from capture.profile import MountGeometry
from capture.samples import SAMPLE_DTYPE, Target
from capture.simulation.anatomy import draw_eye
from capture.simulation.camera import Camera
from capture.simulation.painter import EyeState, Look, Painter
from capture.tracker import Tracker
from tests.capture.ray_traced_eye import FIVE

Floats = NDArray[np.float64]
RATE_HZ = 60.0
HOLD_S = 0.6  # on each target
LATENCY_S = 0.15  # from the target to the eye's arrival
SLOW_S = 0.4  # a slow phase


class Session:
    """One invented eye before one camera, its tracker, and what was seen so far."""

    def __init__(self, seed: int, size_px: tuple[int, int]) -> None:
        rng = np.random.default_rng([seed, size_px[0], 11])
        eye = "right" if rng.random() < 0.5 else "left"
        self.camera = Camera(
            size_px,
            azimuth_temporal_deg=rng.uniform(-10, 30),
            elevation_deg=rng.uniform(-25, 10),
            roll_deg=rng.uniform(-10, 10),
            distance_mm=rng.uniform(45, 60),
            blur_px=rng.uniform(0.6, 1.1),
        )
        self.look = Look(
            noise=rng.uniform(0.7, 2), contrast=rng.uniform(0.6, 1.1), lashes=rng.uniform(0.5, 1.5)
        )
        self.rng, self.view = rng, self.camera.view(eye)
        self.painter = Painter(draw_eye(seed, eye), self.camera, self.look)
        self.usual = EyeState(
            pupil_mm=rng.uniform(2.8, 5), light=rng.uniform(0.6, 1.1), opening=rng.uniform(0.85, 1.15)
        )
        self._jpeg = int(rng.integers(75, 96)) if seed % 2 else 0
        self._tracker, self._number = Tracker(), 0

    def show(self, gaze_deg: Floats) -> tuple[NDArray[np.void], Floats]:
        """SAMPLE_DTYPE rows of pictures of gaze (n, 3), and the visible share of each pupil."""
        rows, visible = np.zeros(len(gaze_deg), SAMPLE_DTYPE), np.empty(len(gaze_deg))
        for k, place in enumerate(gaze_deg):
            state = self.usual._replace(
                horizontal_deg=place[0], vertical_deg=place[1], torsional_deg=place[2]
            )
            image = self.painter.image(state, self._number)
            if self._jpeg:
                sent = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, self._jpeg])[1]
                image = cv2.imdecode(sent, cv2.IMREAD_GRAYSCALE)
            seen = self._tracker.track(image)
            rows[k] = (
                self._number, self._number / RATE_HZ, np.nan, 0, *seen.pupil, *seen[1:3],
                np.nan, np.nan, np.nan, *seen[3:],
            )  # fmt: skip
            visible[k] = self.painter.truth(state).visible_share
            self._number += 1
        return rows, visible

    def calibrated(self):
        """The calibration by five targets that are looked at exactly, the eye wandering by 0.05 deg."""
        each = round(HOLD_S * RATE_HZ)
        gaze = np.repeat([(*place, 0.0) for place in FIVE], each, axis=0)
        gaze[:, :2] += self.rng.normal(0.0, 0.05, (len(gaze), 2))
        rows, _ = self.show(gaze)
        shown_s = HOLD_S * np.arange(6) - LATENCY_S
        targets = [Target(*shown_s[i : i + 2].tolist(), *place) for i, place in enumerate(FIVE)]
        return calibrate(targets, rows, self.view, MountGeometry(), self.camera.size_px)


def around(
    rng: np.random.Generator, low_deg: float, high_deg: float, count: int, torsion_deg: float
) -> Floats:
    """(count, 3) gaze evenly over a ring, with normal torsion."""
    radius, angle = rng.uniform(low_deg, high_deg, count), rng.uniform(0, 2 * np.pi, count)
    return np.column_stack(
        (radius * np.cos(angle), radius * np.sin(angle), rng.normal(0, torsion_deg, count))
    )


def beating(rng: np.random.Generator, place: Floats) -> tuple[Floats, float]:
    """(n, 3) five slow phases of torsion between -5 and 5 deg at one place, and their velocity (deg/s)."""
    velocity_dps = float(rng.choice([-1, 1]) * rng.uniform(3, 20))
    time_s = np.arange(round(SLOW_S * RATE_HZ)) / RATE_HZ
    starts = rng.uniform(-5 + max(-velocity_dps, 0) * SLOW_S, 5 - max(velocity_dps, 0) * SLOW_S, 5)
    torsion = (starts[:, None] + velocity_dps * time_s).ravel()
    return np.column_stack((np.tile(place[:2], (len(torsion), 1)), torsion)), velocity_dps


class Score:
    """What was measured over all eyes."""

    def __init__(self) -> None:
        self.each: defaultdict[str, list[float]] = defaultdict(list)  # one number an eye (or a place)
        self.answered: defaultdict[str, list[bool]] = defaultdict(list)  # of the visible frames

    def take(self, seed: int, size_px: tuple[int, int]) -> None:
        """Measure one more eye."""
        session = Session(seed, size_px)
        calibration = session.calibrated()
        self.each["calibrated"].append(float(calibration.calibrated))
        if not calibration.calibrated:
            return

        def off(kind: str, gaze: Floats) -> tuple[Floats, Floats]:
            rows, visible = session.show(gaze)
            said = degrees(calibration, rows["x_px"], rows["y_px"], rows["rotation_deg"])
            said[visible < 0.9] = np.nan
            self.answered[kind] += np.isfinite(said[visible >= 0.9, 2]).tolist()
            return said - gaze, said

        still, _ = off("still", np.zeros((40, 3)))
        zero_deg = np.nanmedian(still[:, 2])
        self.each["still horizontal, SD"].append(float(np.nanstd(still[:, 0])))
        self.each["still vertical, SD"].append(float(np.nanstd(still[:, 1])))
        self.each["still torsion, SD"].append(float(np.nanstd(still[:, 2])))
        for kind, turns in (
            ("turns to 0.5 deg, slope", (0.1, 0.3, 0.5)),
            ("turns to 5 deg, slope", (1.5, 3, 5)),
        ):
            torsion = np.repeat((*turns, *(-turn for turn in turns)), 4)
            gaze = np.column_stack((session.rng.normal(0, 0.3, (24, 2)), torsion))
            _, said = off(kind, gaze)
            seen = np.isfinite(said[:, 2])
            slope = np.polyfit(torsion[seen], said[seen, 2], 1)[0] if seen.sum() > 5 else np.nan
            self.each[kind].append(float(slope))
        for kind, low, high in (("within 5 deg, RMS", 0, 5), ("5 to 15 deg, RMS", 5, 15)):
            error, _ = off(kind, around(session.rng, low, high, 30, 1.0))
            self.each[kind].append(float(np.sqrt(np.nanmean((error[:, 2] - zero_deg) ** 2))))
        for place in around(session.rng, 15, 20, 3, 0.0):
            self._beats(session, off, place, float(zero_deg))

    def _beats(self, session: Session, off, place: Floats, zero_deg: float) -> None:
        gaze, velocity_dps = beating(session.rng, place)
        error, said = off("+-5 deg at 15 to 20 deg, RMS", gaze)
        if np.isfinite(error[:, 2]).sum() < 20:
            return
        self.each["+-5 deg at 15 to 20 deg, SD"].append(float(np.nanstd(error[:, 2])))
        self.each["+-5 deg at 15 to 20 deg, RMS"].append(
            float(np.sqrt(np.nanmean((error[:, 2] - zero_deg) ** 2)))
        )
        per = round(SLOW_S * RATE_HZ)
        found = []
        for torsion in said[:, 2].reshape(-1, per):
            seen = np.isfinite(torsion)
            if seen.sum() >= per // 2:
                found.append(np.polyfit(np.flatnonzero(seen) / RATE_HZ, torsion[seen], 1)[0])
        if found:
            self.each["slow-phase velocity there, error"].append(abs(float(np.median(found)) - velocity_dps))

    def show(self) -> None:
        """Print median, 5th and 95th percentile, and the share answered."""
        for name, values in self.each.items():
            low, middle, high = np.nanquantile(values, (0.05, 0.5, 0.95))
            asked = self.answered.get(name)
            share = f"; {np.mean(asked):.1%} of {len(asked)} visible frames answered" if asked else ""
            print(f"  {name:38}{middle:8.3f}  5 % {low:6.3f}  95 % {high:6.3f}  ({len(values)}){share}")


def main() -> None:
    """Print the table for each size."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--eyes", type=int, default=24)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--widths", type=int, nargs="*", default=[320, 160, 640])
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    for width in asked.widths:
        score = Score()
        for seed in range(asked.first, asked.first + asked.eyes):
            score.take(seed, (width, width * 3 // 4))
        print(f"{width}x{width * 3 // 4}, {asked.eyes} eyes")
        score.show()


if __name__ == "__main__":
    main()
