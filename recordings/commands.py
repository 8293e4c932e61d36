"""What a live recorder is asked to do, as values that cross from one process to another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from capture.calibration import Calibration
from capture.live import AS_IT_IS, CameraSettings
from capture.pose import Pose
from capture.profile import GoggleProfile
from capture.samples import Eye, Target
from recordings.event import Event
from recordings.images_file import JPEG_QUALITY
from recordings.info import Circumstances, Ending, ImagesKept, Opening, Region
from recordings.space import SpaceRule


@dataclass(frozen=True, slots=True)
class GogglesPlan:
    """Which cameras a recorder opens, for as many recordings as are wanted."""

    profile: GoggleProfile
    sources: Mapping[str, str]  # by the identity of the camera in the profile: text for `open_source`
    data_folder: Path
    settings: CameraSettings = AS_IT_IS  # asked of every camera, over what the profile asks of it
    clinic_limit_w_m2: float | None = None  # for the light gate
    rule: SpaceRule = field(default_factory=SpaceRule)


@dataclass(frozen=True, slots=True)
class Start:
    """Begin a recording; answered by its folder."""

    circumstances: Circumstances
    targets: tuple[Target, ...] = ()
    events: tuple[Event, ...] = ()
    calibrations: Mapping[Eye, Calibration] = field(default_factory=dict)
    calibrated_s: float | None = None  # host time at which they were made; None: nobody knows
    images: ImagesKept = "jpeg"
    quality: int = JPEG_QUALITY  # of pictures that do not come as JPEG from the camera, or are cropped
    crops_px: Mapping[str, Region] = field(default_factory=dict)  # the part kept of a camera's pictures
    seconds: float | None = None  # how long it is meant to be, for the room on the disk


@dataclass(frozen=True, slots=True)
class Mark:
    """Add a target or an event, in the host's time."""

    what: Target | Event


@dataclass(frozen=True, slots=True)
class Stop:
    """End the recording; answered by its folder, which is then being sealed."""

    reason: str = ""  # empty: it is complete


@dataclass(frozen=True, slots=True)
class JudgeCover:
    """Which eye was covered between two times, seen beside an earlier time; answered by a CoverVerdict."""

    asked: Eye
    open_s: tuple[float, float]
    covered_s: tuple[float, float]


@dataclass(frozen=True, slots=True)
class TellFacts:
    """What the recording that goes on, or else the last one, says about itself; answered by its Facts."""


@dataclass(frozen=True, slots=True)
class Facts:
    """How a recording began and, as far as is known, how it ended."""

    opening: Opening
    ending: Ending


@dataclass(frozen=True, slots=True)
class Close:
    """End whatever goes on, seal it, and let go of the cameras."""


Command = Start | Mark | Stop | JudgeCover | TellFacts | Pose | Close
