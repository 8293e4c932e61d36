"""An exact ray trace of an eye before a camera, sharing nothing with the product: truth for tests.

Head frame in mm: x to the patient's left, y up, z forward, origin at the centre of rotation. The pupil is a
circle in a plane behind a spherical cornea; each point of its rim is seen along the shortest optical path.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.profile import EyeView
from capture.samples import SAMPLE_DTYPE, Target

Floats = NDArray[np.float64]
Places = tuple[tuple[float, float], ...]  # of targets, deg: right and up positive
SIZE_PX = (320, 240)
THREE: Places = ((0, 0), (10, 0), (0, 10))
FIVE: Places = ((0, 0), (10, 0), (-10, 0), (0, 10), (0, -10))
EIGHT: Places = ((0, 0), (10, 0), (15, 0), (-10, 0), (-15, 0), (0, 10), (0, -10), (0, 0))


def orientation(horizontal_deg: float, vertical_deg: float, torsional_deg: float = 0.0) -> Floats:
    """(3, 3) of an eye at these Fick angles (right, up, upper pole to the right positive)."""
    h, v, t = np.radians([-horizontal_deg, -vertical_deg, torsional_deg])
    about_y = np.array([[np.cos(h), 0, np.sin(h)], [0, 1, 0], [-np.sin(h), 0, np.cos(h)]])
    about_x = np.array([[1, 0, 0], [0, np.cos(v), -np.sin(v)], [0, np.sin(v), np.cos(v)]])
    about_z = np.array([[np.cos(t), -np.sin(t), 0], [np.sin(t), np.cos(t), 0], [0, 0, 1]])
    return about_y @ about_x @ about_z


@dataclass(frozen=True, slots=True)
class RayTracedEye:
    """Anatomy in mm and deg, and the camera before it."""

    temple: int  # -1 right eye, +1 left eye: the side of x
    cornea_radius: float = 7.8
    cornea_centre: float = 5.3
    iris: float = 9.9
    kappa_deg: tuple[float, float] = (4.5, -0.3)  # optical axis to the temple, up
    offset: tuple[float, float] = (0.25, 0.0)  # pupil toward the nose, up
    pupil: float = 4.5
    index: float = 1.3375
    azimuth_deg: float = 0.0  # camera toward the temple
    elevation_deg: float = 0.0
    roll_deg: float = 0.0
    distance: float = 75.0
    focal_px: float = 700.0
    aim: tuple[float, float, float] = (0.0, 0.0, 5.0)  # the point on the camera's axis

    @classmethod
    def random(cls, rng: np.random.Generator, off_axis_deg: float | None = None) -> RayTracedEye:
        """A member of the population: schematic-eye means and SDs (Atchison & Smith, from memory)."""
        off = rng.uniform(0.0, 30.0) if off_axis_deg is None else off_axis_deg
        around = rng.uniform(0.0, 2.0 * np.pi)
        distance = rng.uniform(55.0, 100.0)
        return cls(
            temple=int(rng.choice([-1, 1])),
            cornea_radius=rng.normal(7.8, 0.27),
            cornea_centre=rng.normal(5.3, 0.45),
            iris=rng.normal(9.9, 0.5),
            kappa_deg=(rng.normal(4.5, 1.5), rng.normal(-0.3, 1.2)),
            offset=(rng.normal(0.25, 0.12), rng.normal(0.0, 0.1)),
            pupil=rng.uniform(2.5, 7.0),
            azimuth_deg=off * np.cos(around),
            elevation_deg=off * np.sin(around),
            roll_deg=rng.uniform(-12.0, 12.0),
            distance=distance,
            focal_px=(distance - 10.0) / 0.1 * rng.uniform(0.85, 1.2),
            aim=(rng.uniform(-4, 4), rng.uniform(-4, 4), rng.uniform(0, 11)),
        )

    def picture(self, h: float, v: float, t: float, radius: float, offset: tuple[float, float]) -> Floats:
        """(24, 2) upright pixels, from the picture's corner, of a circle in the plane of the iris."""
        phi = np.arange(24) * 2.0 * np.pi / 24
        eye = orientation(h, v, t) @ orientation(-self.temple * self.kappa_deg[0], self.kappa_deg[1])
        x, y = -self.temple * offset[0] + radius * np.cos(phi), offset[1] + radius * np.sin(phi)
        points = np.column_stack((x, y, np.full(24, self.iris))) @ eye.T
        camera, axes = self._camera()
        seen = self._leaving(points, eye @ (0.0, 0.0, self.cornea_centre), camera) - camera
        across, down, depth = (seen @ axes.T).T
        return np.column_stack((across, down)) * self.focal_px / depth[:, None] + (np.array(SIZE_PX) - 1) / 2

    def _camera(self) -> tuple[Floats, Floats]:
        azimuth, elevation, roll = np.radians(
            [self.azimuth_deg * self.temple, self.elevation_deg, self.roll_deg]
        )
        toward = [np.sin(azimuth) * np.cos(elevation), np.sin(elevation), np.cos(azimuth) * np.cos(elevation)]
        camera = self.distance * np.array(toward)
        forward = (self.aim - camera) / np.linalg.norm(self.aim - camera)
        across = np.cross(forward, (0.0, 1.0, 0.0))
        across /= np.linalg.norm(across)
        down = np.cross(forward, across)
        turned = (np.cos(roll) * across + np.sin(roll) * down, np.cos(roll) * down - np.sin(roll) * across)
        return camera, np.stack((*turned, forward))

    def _leaving(self, points: Floats, centre: Floats, camera: Floats) -> Floats:
        """Where light from each point leaves the cornea toward the camera (Fermat, by bisection)."""
        to_camera = np.linalg.norm(camera - centre)
        axis = (camera - centre) / to_camera
        along = (points - centre) @ axis
        side = points - centre - along[:, None] * axis
        height = np.linalg.norm(side, axis=1)
        low, high = np.zeros(len(points)), np.full(len(points), np.pi / 2)
        for _ in range(44):
            angle = 0.5 * (low + high)
            x, y = self.cornea_radius * np.cos(angle), self.cornea_radius * np.sin(angle)
            inside = (-(x - along) * y + (y - height) * x) / np.hypot(x - along, y - height)
            outside = (-(x - to_camera) * y + y * x) / np.hypot(x - to_camera, y)
            shorter = self.index * inside + outside < 0.0
            low, high = np.where(shorter, angle, low), np.where(shorter, high, angle)
        return centre + x[:, None] * axis + (y / height)[:, None] * side

    def pupil_ellipse(self, h: float, v: float, t: float = 0.0) -> tuple[float, float, float, float, float]:
        """Centre x, y, semi-axes (px) and angle of the long axis (deg) of the pupil's outline, upright."""
        outline = self.picture(h, v, t, self.pupil / 2.0, self.offset)
        middle = outline.mean(axis=0)
        x, y = (outline - middle).T / 20.0
        a, b, c, d, e = np.linalg.lstsq(np.column_stack((x * x, x * y, y * y, x, y)), np.ones(len(x)))[0]
        matrix = np.array([[a, b / 2], [b / 2, c]])
        centre = -0.5 * np.linalg.solve(matrix, (d, e))
        values, vectors = np.linalg.eigh(matrix / (1.0 + centre @ matrix @ centre))
        major, minor = 20.0 / np.sqrt(values)
        angle = np.degrees(np.arctan2(vectors[1, 0], vectors[0, 0])) % 180.0
        return *(middle + 20.0 * centre), major, minor, angle

    def iris_rotation_deg(self, h: float, v: float, t: float = 0.0) -> float:
        """Rotation of the iris in the upright picture: polar decomposition of iris plane to picture."""
        phi = np.arange(24) * 2.0 * np.pi / 24  # y up in the eye, down in the picture
        basis = np.column_stack((np.cos(phi), -np.sin(phi), np.ones(24)))
        affine = np.linalg.lstsq(basis, self.picture(h, v, t, 4.0, (0.0, 0.0)))[0][:2].T
        left, _, right = np.linalg.svd(affine)
        rotation = left @ right
        return float(np.degrees(np.arctan2(rotation[1, 0], rotation[0, 0])))


def samples_of(
    eye: RayTracedEye,
    gaze_deg: Floats,
    time_s: Floats,
    rng: np.random.Generator | None = None,
    noise_px: float = 0.0,
    with_outline: bool = True,
) -> NDArray[np.void]:
    """SAMPLE_DTYPE rows, upright, for gaze (n, 3); each different gaze is traced once."""
    places, index = np.unique(np.round(gaze_deg, 3), axis=0, return_inverse=True)
    ellipses = np.array([eye.pupil_ellipse(*place) for place in places])
    turned = np.array([eye.iris_rotation_deg(*place) for place in places])
    rows = np.zeros(len(gaze_deg), SAMPLE_DTYPE)
    rows["frame"], rows["time_s"] = np.arange(len(rows)), time_s
    for column, name in enumerate(("x_px", "y_px", "major_px", "minor_px", "angle_deg")):
        rows[name] = ellipses[index.ravel(), column]
    if not with_outline:
        rows["major_px"], rows["minor_px"], rows["angle_deg"] = 20.0, 20.0, 0.0
    rows["rotation_deg"] = turned[index.ravel()]
    rows["visible_share"], rows["pupil_quality"], rows["torsion_quality"] = 1.0, 1.0, 1.0
    if rng is not None:
        for name in ("x_px", "y_px"):
            rows[name] += rng.normal(0.0, noise_px, len(rows))
    return rows


def exact_look(
    eye: RayTracedEye,
    targets_deg: Places,
    with_outline: bool = True,
    rng: np.random.Generator | None = None,
) -> tuple[tuple[Target, ...], NDArray[np.void]]:
    """An eye exactly on each target, 0.8 s each at 60 frames/s; with `rng` it wanders by 0.1 deg (SD)."""
    time_s = np.arange(int(48 * len(targets_deg))) / 60.0
    targets = tuple(Target(0.8 * i, 0.8 * (i + 1), *place) for i, place in enumerate(targets_deg))
    gaze = np.array([(*targets_deg[int(i // 48)], 0.0) for i in range(len(time_s))])
    wander_px = 0.1 * np.radians(10.5) * eye.focal_px / (eye.distance - 10.5)
    return targets, samples_of(eye, gaze, time_s, rng, wander_px, with_outline)


def missed(places: Places, rng: np.random.Generator, by_deg: float) -> Places:
    """Where someone looks who misses each target by chance (SD, each axis)."""
    return tuple((h + rng.normal(0.0, by_deg), v + rng.normal(0.0, by_deg)) for h, v in places)


def said_at(targets: Sequence[Target], places: Places) -> tuple[Target, ...]:
    """The same targets, said to have been at these places."""
    return tuple(Target(*one[:2], *place) for one, place in zip(targets, places, strict=True))


def view_of(eye: RayTracedEye) -> EyeView:
    """Its picture as it is: upright, not mirrored."""
    return EyeView("right" if eye.temple < 0 else "left")
