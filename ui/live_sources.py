"""Which cameras a live recording uses, from the options of the command line."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import click

from capture.live import CameraSettings
from capture.open_source import SIMULATED
from capture.profile import CameraProfile, EyeView, GoggleProfile, read_profile
from capture.samples import Eye
from recordings.info import ImagesKept


@dataclass(frozen=True, slots=True)
class LiveOptions:
    """The options of `driftbeat live`, as click hands them over."""

    profile: Path | None
    right: str | None
    left: str | None
    both: str | None
    patient: str | None
    bench: bool
    seconds: float | None
    rate: float | None
    size: tuple[int, int] | None
    exposure: float | None
    gain: float | None
    crop: bool
    targets: Path | None
    year_of_birth: int | None
    operator: str | None
    site: str
    images: ImagesKept
    quality: int
    cover: Eye | None
    light_limit: float | None
    steps: Path | None
    data: Path | None

    def settings(self) -> CameraSettings:
        """What is asked of every camera."""
        width, height = self.size or (None, None)
        return CameraSettings(width, height, self.rate, self.exposure, self.gain)


def choose_sources(
    profile: Path | None, right: str | None, left: str | None, both: str | None
) -> tuple[GoggleProfile, dict[str, str]]:
    """The goggle profile, and by each of its cameras' identities the text that opens it.

    With a profile every camera in it is opened by its identity, unless a source for its eye is named. Without
    one the named sources are bare: not mirrored, not turned, nothing known of their light. Raises
    click.UsageError, ProfileError.
    """
    made, sources = _choose(profile, right, left, both)
    if len(set(sources.values())) < len(sources):
        raise click.UsageError(
            f"{next(iter(sources.values()))} is named for both eyes: each eye needs a camera of its own, or "
            "--both and a profile that says where each eye is in the picture."
        )
    return made, sources


def _choose(
    profile: Path | None, right: str | None, left: str | None, both: str | None
) -> tuple[GoggleProfile, dict[str, str]]:
    named: dict[Eye, str] = {}
    if right:
        named["right"] = right
    if left:
        named["left"] = left
    if both and named:
        raise click.UsageError("--both already holds both eyes: leave out --right and --left.")
    if profile is not None:
        return _with_profile(read_profile(profile), named, both)
    if both:
        raise click.UsageError("--both needs a goggle profile that says where each eye is in the picture.")
    if not named:
        raise click.UsageError("Name a goggle profile or a camera: --profile, --right, --left.")
    cameras = tuple(CameraProfile(f"live-{eye}", (EyeView(eye),)) for eye in named)
    simulated = all(text.startswith(SIMULATED) for text in named.values())
    name = "simulated goggles" if simulated else "cameras without a goggle profile"
    return GoggleProfile(name, cameras), {f"live-{eye}": text for eye, text in named.items()}


def _with_profile(
    profile: GoggleProfile, named: dict[Eye, str], both: str | None
) -> tuple[GoggleProfile, dict[str, str]]:
    sources = {
        camera.identity: text_of(camera.identity)
        for camera in profile.cameras
        if not named or any(view.eye in named for view in camera.views)
    }
    for eye, text in named.items():
        try:
            sources[profile.camera(eye).identity] = text
        except KeyError:
            raise click.UsageError(f"The profile {profile.name} has no camera for the {eye} eye.") from None
    if both:
        if len(profile.cameras) != 1:
            raise click.UsageError("--both is for a profile whose one camera sees both eyes.")
        sources = {profile.cameras[0].identity: both}
    return profile, sources


def text_of(identity: str) -> str:
    """What `open_source` opens for the camera of a profile: an address, or a serial number or port."""
    return identity if identity.startswith("http://") else f"camera:{identity}"
