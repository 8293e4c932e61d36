"""The camera of the simulated goggles: where it stands, and how it turns and mirrors its picture.

Head frame, mm: origin at the eye's centre of rotation, x toward the patient's left, y up, z forward.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import cos, radians, sin

import numpy as np
from numpy.typing import NDArray

from capture.profile import EyeView, MountGeometry, Rotation
from capture.samples import Eye
from capture.simulation.sensor import compressed

AIM_MM = 10.3  # the camera looks at the point this far in front of the centre of rotation: a usual pupil


def turn(axis: str, angle_deg: float) -> NDArray[np.float64]:
    """(3, 3) right-handed rotation about the axis "x", "y" or "z"."""
    c, s = cos(radians(angle_deg)), sin(radians(angle_deg))
    return {
        "x": np.array([[1, 0, 0], [0, c, -s], [0, s, c]]),
        "y": np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]]),
        "z": np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]),
    }[axis]


@dataclass(frozen=True, slots=True)
class Camera:
    """A pinhole camera with a blurred, noisy sensor. `size_px` is the picture as delivered."""

    size_px: tuple[int, int] = (320, 240)
    azimuth_temporal_deg: float = 0.0  # toward the temple, seen from the eye
    elevation_deg: float = 0.0  # above (+) or below (-) the eye
    roll_deg: float = 0.0  # turns the upright picture's content from image x toward image y
    distance_mm: float = 50.0  # to the plane of the pupil
    focal_px: float | None = None  # None: 1.5 times the delivered width
    mirrored: bool = False
    rotation_deg: Rotation = 0
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)  # slip of the goggles, along the head's axes
    slip_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)  # slip: turn about the head's x, y, z
    blur_px: float = 0.8  # standard deviation of the optics' blur
    electrons_per_level: float = 40.0  # photon noise: variance in levels = level / this
    read_noise_levels: float = 0.9
    jpeg_quality: int | None = None  # of what it delivers; None: not compressed
    leds_mm: tuple[tuple[float, float], ...] = ((-9.0, -7.0), (9.0, -7.0))  # right and down of the lens

    @property
    def focal_length_px(self) -> float:
        """Focal length in pixels."""
        return 1.5 * self.size_px[0] if self.focal_px is None else self.focal_px

    @property
    def mm_per_px(self) -> float:
        """Size of a pixel in the plane of a usual pupil."""
        return self.distance_mm / self.focal_length_px

    @property
    def upright_size_px(self) -> tuple[int, int]:
        """Width and height of the picture once it is turned upright."""
        width, height = self.size_px
        return (height, width) if self.rotation_deg in (90, 270) else (width, height)

    def resized(self, size_px: tuple[int, int]) -> Camera:
        """The same view on another number of pixels."""
        scale = size_px[0] / self.size_px[0]
        return replace(
            self, size_px=size_px, focal_px=self.focal_length_px * scale, blur_px=self.blur_px * scale
        )

    def pose(self, eye: Eye) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Position (3,) in mm; axes (3, 3), rows: the upright picture's right, its down, and forward."""
        azimuth, elevation = radians(self.azimuth_temporal_deg), radians(self.elevation_deg)
        temporal = -1.0 if eye == "right" else 1.0
        outward = np.array(
            [temporal * sin(azimuth) * cos(elevation), sin(elevation), cos(azimuth) * cos(elevation)]
        )
        forward = -outward
        right = np.cross(forward, [0.0, 1.0, 0.0])
        right /= np.linalg.norm(right)
        axes = np.stack([right, np.cross(forward, right), forward])
        axes = turn("z", self.roll_deg) @ axes
        slip = turn("y", self.slip_deg[1]) @ turn("x", self.slip_deg[0]) @ turn("z", self.slip_deg[2])
        position = np.array([0.0, 0.0, AIM_MM]) + self.distance_mm * outward
        return slip @ position + np.array(self.shift_mm), axes @ slip.T

    def view(self, eye: Eye) -> EyeView:
        """How this camera's picture is turned, for the profile."""
        return EyeView(eye=eye, mirrored=self.mirrored, rotation_deg=self.rotation_deg)

    def geometry(self) -> MountGeometry:
        """The measured mount, for the profile (before any slip)."""
        return MountGeometry(
            azimuth_temporal_deg=self.azimuth_temporal_deg,
            elevation_deg=self.elevation_deg,
            distance_mm=self.distance_mm,
            mm_per_px=self.mm_per_px,
        )

    def deliver(self, upright: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """The picture as the camera delivers it: turned clockwise by `rotation_deg`, mirrored, compressed."""
        picture = np.rot90(upright, -(self.rotation_deg // 90))
        picture = np.ascontiguousarray(np.fliplr(picture) if self.mirrored else picture)
        return picture if self.jpeg_quality is None else compressed(picture, self.jpeg_quality)

    def deliver_map(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """(2, 2) matrix and (2,) shift that take an upright pixel (x, y) to the delivered picture."""
        width, height = self.upright_size_px
        matrix, shift = {
            0: ([[1.0, 0.0], [0.0, 1.0]], [0.0, 0.0]),
            90: ([[0.0, -1.0], [1.0, 0.0]], [height - 1.0, 0.0]),
            180: ([[-1.0, 0.0], [0.0, -1.0]], [width - 1.0, height - 1.0]),
            270: ([[0.0, 1.0], [-1.0, 0.0]], [0.0, width - 1.0]),
        }[self.rotation_deg]
        linear, offset = np.array(matrix), np.array(shift)
        if self.mirrored:
            flip = np.diag([-1.0, 1.0])
            return flip @ linear, flip @ offset + np.array([self.size_px[0] - 1.0, 0.0])
        return linear, offset
