"""The stand-in for a goggle profile when pictures come from files: made from the command line's options."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import click

from capture.profile import CameraProfile, EyeView, GoggleProfile, Rotation, read_profile
from capture.samples import Eye

RegionPx = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class ViewOptions:
    """How the options say that the pictures are turned and where the eyes are in them."""

    profile: Path | None = None
    mirrored: bool = False
    rotation_deg: Rotation = 0
    right_region: RegionPx | None = None
    left_region: RegionPx | None = None

    def region(self, eye: Eye) -> RegionPx | None:
        """The part of the picture with `eye`, where one was given."""
        return self.right_region if eye == "right" else self.left_region


def make_profile(eyes: tuple[Eye, ...], one_picture: bool, options: ViewOptions) -> GoggleProfile:
    """The profile of the file given, or one made from the other options.

    `one_picture`: both eyes are in one picture. Raises click.UsageError for options that contradict each
    other and ProfileError for a file that is not valid.
    """
    if options.profile is not None:
        return _profile_of_file(eyes, one_picture, options)
    if one_picture and not (options.right_region and options.left_region):
        raise click.UsageError(
            "--both needs --right-region and --left-region: where each eye is in the picture."
        )
    views = {eye: EyeView(eye, options.region(eye), options.mirrored, options.rotation_deg) for eye in eyes}
    if one_picture:
        cameras = (CameraProfile("file-both", tuple(views.values())),)
    else:
        cameras = tuple(CameraProfile(f"file-{eye}", (view,)) for eye, view in views.items())
    return GoggleProfile("video files", cameras)


def _profile_of_file(eyes: tuple[Eye, ...], one_picture: bool, options: ViewOptions) -> GoggleProfile:
    if options.mirrored or options.rotation_deg or options.right_region or options.left_region:
        raise click.UsageError(
            "--profile says how pictures are turned: leave out mirror, rotation and regions."
        )
    assert options.profile is not None
    profile = read_profile(options.profile)
    seen = {view.eye for camera in profile.cameras for view in camera.views}
    for eye in eyes:
        if eye not in seen:
            raise click.UsageError(f"The profile {options.profile} has no camera for the {eye} eye.")
    if len(eyes) == 2 and one_picture != (profile.camera("right") is profile.camera("left")):
        raise click.UsageError(
            "--both is for a profile whose one camera sees both eyes, --right and --left for two."
        )
    return profile
