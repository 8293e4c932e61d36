"""Whether the sources of a recording fit each other and the profile, asked before anything is made."""

from __future__ import annotations

from collections.abc import Sequence

from capture.light_gate import LightVerdict
from recordings.camera_threads import CameraThreads, Keeping
from recordings.errors import RecordingError
from recordings.info import Circumstances, EyeIdentity


def check_clocks(cameras: Sequence[CameraThreads]) -> None:
    """Raise RecordingError where one eye's times are measured and the other's are made up."""
    kinds = {camera.source.info.times for camera in cameras}
    if len(kinds) > 1:
        names = ", ".join(
            camera.source.info.name for camera in cameras if camera.source.info.times == "nominal"
        )
        raise RecordingError(
            f"The frames of {names} have no measured times, those of the other eye have. The eyes cannot be "
            "put on one clock. Nothing was recorded. Give the frame times of both, or of neither."
        )


def check_regions(threads: CameraThreads) -> None:
    """Raise RecordingError where an eye's region lies outside the picture."""
    info = threads.source.info
    for view in threads.camera.views:
        x, y, width, height = view.region_px or (0, 0, info.width_px, info.height_px)
        if (
            min(x, y) < 0
            or min(width, height) < 1
            or x + width > info.width_px
            or y + height > info.height_px
        ):
            raise RecordingError(
                f"The region of the {view.eye} eye {view.region_px} lies outside the picture of {info.name} "
                f"({info.width_px}x{info.height_px}). Nothing was recorded. Correct the region."
            )


def check_keeping(threads: CameraThreads, keeping: Keeping) -> None:
    """Raise RecordingError where the part of the picture that is to be kept lies outside it."""
    info = threads.source.info
    x, y, width, height = keeping.crop_px or (0, 0, info.width_px, info.height_px)
    if min(x, y) < 0 or min(width, height) < 1 or x + width > info.width_px or y + height > info.height_px:
        raise RecordingError(
            f"The part {keeping.crop_px} that is to be kept lies outside the picture of {info.name} "
            f"({info.width_px}x{info.height_px}). Nothing was recorded. Correct it."
        )


def check_patient(circumstances: Circumstances, light: LightVerdict, identity: EyeIdentity) -> None:
    """Raise RecordingError where no patient may be recorded with these goggles as they are."""
    if not circumstances.patient_code or circumstances.training:
        return
    if light.allowed == "bench only":
        raise RecordingError(f"{light.reason} Nothing was recorded.")
    if identity == "contradicted":
        raise RecordingError(
            "The eyes are exchanged, as covering one has shown. Nothing was recorded. Check the plugs and "
            "the goggle profile, then cover one eye again."
        )
