"""Whether the sources of a recording fit each other and the profile, asked before anything is made."""

from __future__ import annotations

from collections.abc import Sequence

from capture.light_gate import LightVerdict
from capture.profile import EyeView
from recordings.camera_threads import CameraThreads
from recordings.errors import RecordingError
from recordings.handing import Keeping
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
    if kinds == {"measured"}:
        _check_overlap(cameras)


def _check_overlap(cameras: Sequence[CameraThreads]) -> None:
    """Raise RecordingError where no moment lies in all sources: their times come from different clocks."""
    spans = [(info.span_s, info.name) for camera in cameras if (info := camera.source.info).span_s]
    if spans and max(start for (start, _), _ in spans) > min(end for (_, end), _ in spans):
        said = ", ".join(f"{name} from {start:.3f} to {end:.3f} s" for (start, end), name in spans)
        raise RecordingError(
            f"The eyes have no moment in common: {said}. Their frame times come from different clocks "
            "or different recordings. Nothing was recorded. Give frame times of one host clock, or record "
            "each eye by itself."
        )


def check_regions(threads: CameraThreads) -> None:
    """Raise RecordingError where an eye's region lies outside the picture, or partly in that of the other."""
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
    if len(threads.camera.views) == 2 and _common_px(*threads.camera.views):
        raise RecordingError(
            f"The regions of the two eyes in the picture of {info.name} overlap, so both could show the same "
            "eye. Nothing was recorded. Give each eye a region of its own."
        )


def _common_px(one: EyeView, other: EyeView) -> bool:
    """Whether two regions have a pixel in common; no region is the whole picture."""
    if one.region_px is None or other.region_px is None:
        return True
    (x, y, width, height), (u, v, wide, high) = one.region_px, other.region_px
    return min(x + width, u + wide) > max(x, u) and min(y + height, v + high) > max(y, v)


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
    if not circumstances.patient_code:
        return
    if light.allowed == "bench only":
        raise RecordingError(f"{light.reason} Nothing was recorded.")
    if identity == "contradicted":
        raise RecordingError(
            "The eyes are exchanged, as covering one has shown. Nothing was recorded. Check the plugs and "
            "the goggle profile, then cover one eye again."
        )
