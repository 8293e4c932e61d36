"""A goggle profile: which camera sees which eye, how its picture is turned, and the geometry of the mount.

A profile is a TOML file for a set of goggles; for a plain video file one is made from the command line's
options. Its SHA-256 is stored in each recording, so an edited profile is noticed.
"""

from __future__ import annotations

import hashlib
import math
import re
import tomllib
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Literal

import msgspec

from capture.errors import ProfileError
from capture.live import AS_IT_IS, CameraSettings
from capture.samples import Eye

Rotation = Literal[0, 90, 180, 270]


class EyeView(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where one eye is in a camera's picture, and how that picture is turned.

    To bring the picture as delivered upright: mirror it left-right first if `mirrored`, then turn it by
    `rotation_deg` counter-clockwise. Upright means as a person in front of the patient sees the eye:
    the patient's right at the image's left, up at the top.
    """

    eye: Eye
    region_px: tuple[int, int, int, int] | None = None  # x, y, width, height of the part with this eye
    mirrored: bool = False
    rotation_deg: Rotation = 0


class MountGeometry(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How the camera sits in front of the eye. None: not measured; the calibration then estimates it."""

    azimuth_temporal_deg: float | None = None  # camera toward the temple, seen from the eye
    elevation_deg: float | None = None  # camera above (+) or below (-) the eye
    distance_mm: float | None = None  # camera to eye
    mm_per_px: float | None = None  # at the plane of the pupil, from a printed grid


class CameraProfile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One camera: who it is, and the eye or eyes in its picture."""

    identity: str  # serial number or port path; for a file its role ("file-right"); never an index
    views: tuple[EyeView, ...]
    geometry: MountGeometry = MountGeometry()
    nominal_rate_hz: float | None = None
    settings: CameraSettings = AS_IT_IS  # asked of it when it is opened; added later

    def __post_init__(self) -> None:
        asked = self.settings
        for name in ("width_px", "height_px", "rate_hz", "exposure_ms"):
            if not (getattr(asked, name) is None or getattr(asked, name) > 0):
                raise ValueError(f"settings.{name} must be above 0, got {getattr(asked, name)}")
        if (asked.width_px is None) != (asked.height_px is None):
            raise ValueError("settings.width_px and settings.height_px belong together")
        if asked.pixel_format is not None and not re.fullmatch("[ -~]{4}", asked.pixel_format):
            raise ValueError(f"settings.pixel_format must be four letters, got {asked.pixel_format!r}")


class GoggleProfile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A set of goggles, or the stand-in for a set of video files."""

    name: str
    cameras: tuple[CameraProfile, ...]
    irradiance_w_m2: float | None = None  # infrared at the cornea, measured; live patients need it
    made_on: str | None = None  # ISO date
    expires_on: str | None = None  # ISO date

    def __post_init__(self) -> None:
        eyes = [view.eye for camera in self.cameras for view in camera.views]
        if not eyes or len(set(eyes)) != len(eyes):
            raise ValueError("a profile needs each eye at most once and at least one eye")

    def view(self, eye: Eye) -> EyeView:
        """The view of one eye. Raises KeyError when no camera sees it."""
        return self._find(eye)[1]

    def camera(self, eye: Eye) -> CameraProfile:
        """The camera that sees one eye. Raises KeyError when none does."""
        return self._find(eye)[0]

    def _find(self, eye: Eye) -> tuple[CameraProfile, EyeView]:
        for camera in self.cameras:
            for view in camera.views:
                if view.eye == eye:
                    return camera, view
        raise KeyError(eye)

    def to_json(self) -> bytes:
        """One canonical text, for storing and hashing; what was added later shows only where it is given."""
        plain = msgspec.to_builtins(self)
        for camera in plain["cameras"]:
            if all(value is None for value in camera["settings"].values()):
                del camera["settings"]
        return msgspec.json.encode(plain)

    def sha256(self) -> str:
        """Hash of the canonical text."""
        return hashlib.sha256(self.to_json()).hexdigest()


def read_profile(path: Path) -> GoggleProfile:
    """Read a profile from a TOML file.

    Raises ProfileError naming the file and the field that is wrong.
    """
    try:
        text = path.read_text(encoding="utf-8")
        profile = msgspec.convert(tomllib.loads(text), GoggleProfile, strict=True)
    except OSError as error:
        raise ProfileError(f"The profile {path} cannot be read ({error.strerror}). Check it.") from error
    except (tomllib.TOMLDecodeError, msgspec.ValidationError, UnicodeDecodeError) as error:
        raise ProfileError(f"The profile {path} is not valid: {error}. Nothing was recorded.") from error
    if wrong := "; ".join(_slips(profile)):
        raise ProfileError(f"The profile {path} is not valid: {wrong}. Nothing was recorded. Correct it.")
    return profile


def _slips(profile: GoggleProfile) -> Iterator[str]:
    """What is of the right type and cannot be meant; asked of files only, so that old recordings open."""
    identities = [camera.identity for camera in profile.cameras]
    if not profile.name.strip():
        yield "name is empty"
    if not all(identity.strip() for identity in identities):
        yield "an identity is empty"
    if len(set(identities)) != len(identities):
        yield "two cameras have the same identity"
    if not all(camera.views for camera in profile.cameras):
        yield "a camera has no views"
    for name in ("made_on", "expires_on"):
        if (day := getattr(profile, name)) is not None and not _is_date(day):
            yield f"{name} must be a date such as 2026-11-30, got {day!r}"
    positive = {"irradiance_w_m2": [profile.irradiance_w_m2]}
    positive["nominal_rate_hz"] = [camera.nominal_rate_hz for camera in profile.cameras]
    for name in ("distance_mm", "mm_per_px"):
        positive[name] = [getattr(camera.geometry, name) for camera in profile.cameras]
    for name, values in positive.items():
        for value in values:
            if value is not None and not 0 < value < math.inf:
                yield f"{name} must be above 0, got {value:g}"
    yield from _not_finite(profile)


def _not_finite(profile: GoggleProfile) -> Iterator[str]:
    """Angles and what is asked of a camera may be of either sign, or are checked for it elsewhere."""
    for camera in profile.cameras:
        for part, names in (
            (camera.geometry, ("azimuth_temporal_deg", "elevation_deg")),
            (camera.settings, ("rate_hz", "exposure_ms", "gain")),
        ):
            for name in names:
                if (value := getattr(part, name)) is not None and not math.isfinite(value):
                    yield f"{name} must be a number, got {value:g}"


def _is_date(text: str) -> bool:
    try:
        return date.fromisoformat(text).isoformat() == text  # only so do two of them compare as texts
    except ValueError:
        return False
