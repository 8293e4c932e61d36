"""Who, when and how of a recording: what its files say beside the samples."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version
from typing import Literal

import msgspec

from capture.profile import GoggleProfile
from capture.samples import Eye
from capture.source import Times
from recordings.history import History

ImagesKept = Literal["jpeg", "lossless", "none"]
EyeIdentity = Literal["proven", "contradicted", "unproven"]  # by covering one eye
Region = tuple[int, int, int, int]  # x, y, width, height in pixels of the full picture


class Circumstances(msgspec.Struct, frozen=True, kw_only=True):
    """What a person states before the start and a sealed file can never gain later. Empty: not stated."""

    patient_code: str = ""  # a pseudonym, never a name
    birth_year: int | None = None  # for limits that depend on age; None: not stated
    operator: str = ""  # a pseudonym
    site: str = ""
    room: str = ""
    language: str = "en"
    protocol_version: str = ""
    limits_version: str = ""
    power: Literal["mains", "battery", "unknown"] = "unknown"
    head_position_source: str = ""
    darkness_source: str = ""
    training: bool = False  # a simulated patient, or made for practice
    procedure: str = ""  # key of the test of the battery; empty: told by its steps
    history: History = History()

    def __post_init__(self) -> None:
        for field in Circumstances.__struct_fields__:  # what a person typed; our own texts may be longer
            value = getattr(self, field)
            if isinstance(value, str) and (len(value) > 200 or not value.isprintable()):
                raise ValueError(f"{field} must be at most 200 printable characters")
        if self.birth_year is not None and not 1850 <= self.birth_year <= 2200:
            raise ValueError(f"birth_year must be a year of four digits, got {self.birth_year}")


class EyeSource(msgspec.Struct, frozen=True):
    """Where one eye's samples come from."""

    eye: Eye
    camera: str  # identity in the profile
    source_name: str
    width_px: int
    height_px: int
    nominal_rate_hz: float
    times: Times
    exposure_ms: float | None = None  # as the camera says; None: it does not tell
    crop_px: Region | None = None  # the part of the picture that is kept; None: the whole


class LiveOpening(msgspec.Struct, frozen=True):
    """What only a recording from cameras knows at its start."""

    utc: str  # the wall clock, read once
    host_time_s: float  # the host's steady clock at the same moment
    eye_identity: EyeIdentity = "unproven"
    bench: bool = False  # goggles whose light allows no patient
    iris_taken_s: dict[Eye, float] = {}  # host time of each eye's iris reference; without: of this recording
    calibrated_s: float | None = None  # host time of the calibrations that were given; None: not known


class Opening(msgspec.Struct, frozen=True):
    """What a journal says first, before any frame."""

    id: str
    made_utc: str
    software: str
    clock: str
    circumstances: Circumstances
    profile: GoggleProfile
    eyes: tuple[EyeSource, ...]
    images: ImagesKept
    live: LiveOpening | None = None  # None: from files


class Ending(msgspec.Struct, frozen=True):
    """How a recording ended."""

    complete: bool
    reason: str  # empty when complete


RECOVERED = Ending(False, "recovered: the program ended before the recording did")


class EyeInfo(msgspec.Struct, frozen=True, kw_only=True):
    """One eye's stream of frames, counted."""

    camera: str
    source_name: str
    width_px: int
    height_px: int
    nominal_rate_hz: float
    times: Times
    frames: int
    lost: int
    repeated: int
    measured_rate_hz: float  # of distinct pictures while they came, lost ones counted in; NaN: not known
    pictures: int  # kept in images.h5
    pictures_bytes: int
    pictures_sha256: str  # of their places, frame numbers and bytes; empty where none were kept
    pictures_dropped: int = 0  # because the disk was too slow; their samples are there
    crop_x_px: int = 0  # where the kept part of a picture begins; samples refer to the full picture
    crop_y_px: int = 0
    crop_width_px: int = 0  # 0: the whole picture was kept
    crop_height_px: int = 0
    clock_used: Literal["host", "camera"] = "host"  # whose stamps `time_s` comes from, on the host's clock
    clock_reason: str = ""
    clock_drift: float | None = None  # the host's seconds for each of the camera's, minus 1
    clock_offset_s: float | None = None  # host time of the camera's zero
    host_jitter_s: float | None = None  # standard deviation of one stamp
    camera_jitter_s: float | None = None
    iris_reference_s: float | None = None  # when the iris reference was taken; None: in this recording
    ruled_out: str = ""  # what cannot be measured at this rate and exposure, one sentence after the other


class RecordingInfo(Circumstances, frozen=True, kw_only=True):
    """What a recording says about itself."""

    format: str
    format_version: str
    software: str
    id: str
    made_utc: str
    clock: str
    utc_of_zero: str  # of a live recording; empty for files: a video may be of any day
    host_time_of_zero_s: float
    complete: bool
    ending: str
    images: ImagesKept
    encryption: str
    profile_sha256: str
    sign_rule: str
    live: bool = False  # from cameras
    bench: bool = False  # goggles whose light allows no patient
    eye_identity: EyeIdentity = "unproven"  # which eye is which, by covering one
    pair_offset_s: float | None = None  # median of the left frame's time minus that of the nearest right one
    pair_spread_s: float | None = None  # how far that ranges (5 to 95 %)
    pair_ruled_out: str = ""  # what the offset of two cameras rules out
    eyes: dict[Eye, EyeInfo] = {}


def software() -> str:
    """Name and version of this program."""
    try:
        return f"driftbeat {version('driftbeat')}"
    except PackageNotFoundError:
        return "driftbeat (not installed)"
