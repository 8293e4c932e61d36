"""Whether the sources of a recording fit each other and the profile, asked before anything is made."""

from __future__ import annotations

from collections.abc import Sequence

from recordings.camera_threads import CameraThreads
from recordings.errors import RecordingError


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
