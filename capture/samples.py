"""What one frame becomes: a pupil, a sample, a row.

The one sign rule, for both eyes and on every axis: positive is the patient's right (horizontal), up
(vertical), and the upper pole of the eye toward the patient's right ear (torsional). Angles in degrees are
Fick angles of the line of sight: horizontal, then vertical, then torsion. NaN means missing.
Pixels: (0, 0) is the centre of the top-left pixel of the full picture as delivered, x right, y down.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

Eye = Literal["right", "left"]
EYES: tuple[Eye, Eye] = ("right", "left")
AXES: tuple[str, str, str] = ("horizontal", "vertical", "torsional")
SIGN_RULE = (
    "positive is the patient's right (horizontal), up (vertical), "
    "upper pole toward the patient's right ear (torsional)"
)

NAN = float("nan")


class Frame(NamedTuple):
    """One picture from a source."""

    number: int  # counts from 0; a jump means that frames were lost on the way
    time_s: float  # host clock
    device_time_s: float  # the camera's own clock, or NaN
    image: NDArray[np.uint8]  # (height, width), read-only
    encoded: bytes | None = None  # the camera's own JPEG, byte for byte, where it sent one
    repeated: bool = False  # the same picture as the one before: a copy, not an observation


class Pupil(NamedTuple):
    """The pupil's outline as an ellipse, in pixels of the full picture as delivered."""

    x_px: float
    y_px: float
    major_px: float  # semi-axis
    minor_px: float  # semi-axis
    angle_deg: float  # long axis, from image x toward image y, in [0, 180)
    visible_share: float  # 0..1, share of the pupil's area that no lid hides and that lies in the picture
    quality: float  # 0..1


NO_PUPIL = Pupil(NAN, NAN, NAN, NAN, NAN, NAN, 0.0)


class Tracked(NamedTuple):
    """What a tracker sees in one picture: pixels only, no degrees."""

    pupil: Pupil
    rotation_deg: float  # of the iris against its reference, from image x toward y; NaN where unreadable
    torsion_quality: float  # 0..1
    glint_x_px: float = NAN  # reflection of one lamp of the goggles on the cornea, always the same lamp's
    glint_y_px: float = NAN
    glint_count: float = NAN  # reflections seen on the cornea, of whatever light; NaN where none was sought


# A stored sample: one row a frame of the source. `time_s` counts from the recording's zero.
SAMPLE_DTYPE = np.dtype(
    [
        ("frame", "<i8"),
        ("time_s", "<f8"),
        ("device_time_s", "<f8"),
        ("repeated", "u1"),
        ("x_px", "<f8"),
        ("y_px", "<f8"),
        ("major_px", "<f8"),
        ("minor_px", "<f8"),
        ("angle_deg", "<f8"),
        ("visible_share", "<f8"),
        ("pupil_quality", "<f8"),
        ("rotation_deg", "<f8"),
        ("torsion_quality", "<f8"),
        ("horizontal_deg", "<f8"),
        ("vertical_deg", "<f8"),
        ("torsional_deg", "<f8"),
        ("glint_x_px", "<f8"),
        ("glint_y_px", "<f8"),
        ("glint_count", "<f8"),
    ]
)


class Target(NamedTuple):
    """What the patient was asked to look at, where, and from when to when."""

    start_s: float
    end_s: float
    horizontal_deg: float
    vertical_deg: float
