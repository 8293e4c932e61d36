"""What only a recording from cameras says: whose clock, which offset, and what that rules out."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

import msgspec
import numpy as np
from numpy.typing import NDArray

from capture.clock_match import ClockMatch, match_clocks, pair_cameras
from capture.rate import ruled_out
from capture.samples import Eye
from recordings.info import EyeInfo, EyeSource, LiveOpening, Opening, RecordingInfo

FEWEST_FRAMES = 3  # fewer have no rate to compare


def match_cameras(samples: Mapping[Eye, NDArray[np.void]]) -> dict[Eye, ClockMatch]:
    """The clock of each eye's camera beside the host's; none for an eye with hardly a frame."""
    return {eye: _match(rows) for eye, rows in samples.items() if len(rows) >= FEWEST_FRAMES}


def _match(rows: NDArray[np.void]) -> ClockMatch:
    try:
        return match_clocks(rows["time_s"], rows["device_time_s"], rows["frame"])
    except Exception as error:  # whatever is wrong with it must not hold back what was recorded
        reason = f"The clocks could not be compared ({type(error).__name__})."
        return ClockMatch("host", reason, np.nan, np.nan, np.nan, np.nan)


def with_live_facts(
    info: EyeInfo, source: EyeSource, match: ClockMatch | None, opening: Opening, zero_s: float
) -> EyeInfo:
    """What an eye's info gains; `zero_s`: host time of the recording's zero."""
    x, y, width, height = source.crop_px or (0, 0, 0, 0)
    taken_s = None if opening.live is None else opening.live.iris_taken_s.get(source.eye)
    info = msgspec.structs.replace(
        info,
        pictures_dropped=0 if opening.images == "none" else info.frames - info.pictures,
        crop_x_px=x,
        crop_y_px=y,
        crop_width_px=width,
        crop_height_px=height,
        iris_reference_s=None if taken_s is None else taken_s - zero_s,
        ruled_out=" ".join(ruled_out(info.measured_rate_hz, source.exposure_ms)),
    )
    if match is None:
        return info
    return msgspec.structs.replace(
        info,
        clock_used=match.used,
        clock_reason=match.reason,
        clock_drift=_known(match.drift),
        clock_offset_s=_known(match.offset_s),
        host_jitter_s=_known(match.host_jitter_s),
        camera_jitter_s=_known(match.camera_jitter_s),
    )


def _known(value: float) -> float | None:
    return None if np.isnan(value) else value


def with_opening(
    info: RecordingInfo, opening: LiveOpening, samples: Mapping[Eye, NDArray[np.void]]
) -> RecordingInfo:
    """What the recording's info gains; the samples' times are the final ones."""
    after_s = info.host_time_of_zero_s - opening.host_time_s if any(map(len, samples.values())) else 0.0
    zero = datetime.fromisoformat(opening.utc) + timedelta(seconds=after_s)
    info = msgspec.structs.replace(
        info,
        utc_of_zero=zero.isoformat(timespec="milliseconds"),
        live=True,
        bench=opening.bench,
        eye_identity=opening.eye_identity,
    )
    two_cameras = len({eye.camera for eye in info.eyes.values()}) == 2
    if not two_cameras or min(len(rows) for rows in samples.values()) < FEWEST_FRAMES:
        return info
    jitter_s = max(_jitter_s(eye) for eye in info.eyes.values())
    try:
        pair = pair_cameras(samples["right"]["time_s"], samples["left"]["time_s"], jitter_s)
    except Exception as error:  # the same
        text = (
            f"The times of the two cameras could not be compared ({type(error).__name__}): disconjugacy and "
        )
        return msgspec.structs.replace(info, pair_ruled_out=f"{text}skew are not assessed.")
    return msgspec.structs.replace(
        info,
        pair_offset_s=pair.offset_s,
        pair_spread_s=pair.spread_s,
        pair_ruled_out=" ".join(pair.ruled_out),
    )


def _jitter_s(eye: EyeInfo) -> float:
    """Of the stamps that are used; 0 where too few frames came to know it."""
    return (eye.camera_jitter_s if eye.clock_used == "camera" else eye.host_jitter_s) or 0.0
