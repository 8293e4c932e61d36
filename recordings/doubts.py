"""What a reader should doubt about a whole recording, before any analysis, in sentences."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capture.frame_times import PLAUSIBLE_HZ
from capture.samples import Eye
from recordings.info import EyeInfo

if TYPE_CHECKING:
    from recordings.sealed import Recording

FEWEST_SEEN = 0.5  # share of frames with a pupil; with fewer the video hardly shows an eye (design choice)
HEADER_OFF = 0.01  # share by which a header's rate may differ from the measured one (design choice)


def doubts(recording: Recording) -> tuple[str, ...]:
    """Each doubt as a sentence; empty when there is none."""
    found: list[str] = []
    for eye, stream in recording.info.eyes.items():
        found += _eye_doubts(eye, stream, recording.samples[eye])
    if recording.info.eye_identity == "unproven" and not recording.info.training:
        found.append("Which eye is which was not proven by covering one eye: right and left are as stated.")
    return tuple(found)


def seen_share(rows: NDArray[np.void]) -> float:
    """Share of the frames, rows of SAMPLE_DTYPE, in which a pupil was seen; 0 without frames."""
    return float(np.isfinite(rows["x_px"]).mean()) if len(rows) else 0.0


def _eye_doubts(eye: Eye, stream: EyeInfo, rows: NDArray[np.void]) -> Iterator[str]:
    if seen_share(rows) < FEWEST_SEEN:
        yield (
            f"A pupil was seen in only {seen_share(rows):.0%} of the frames of the {eye} eye: check that the "
            "video shows this eye, its light, and the region."
        )
    if stream.repeated and stream.repeated == stream.frames - 1:
        yield f"All pictures of the {eye} eye are the same."
    rate_hz = arrival_rate_hz(stream, rows)
    if stream.times != "measured" or not PLAUSIBLE_HZ[0] <= stream.nominal_rate_hz <= PLAUSIBLE_HZ[1]:
        return
    if abs(rate_hz / stream.nominal_rate_hz - 1) > HEADER_OFF:
        yield (
            f"The {eye} eye's source says {stream.nominal_rate_hz:.2f} frames/s, by the measured times they "
            f"were {rate_hz:.2f}. Velocities rest on the measured times."
        )


def arrival_rate_hz(stream: EyeInfo, rows: NDArray[np.void]) -> float:
    """Frames a second, lost and repeated ones counted in; NaN below two frames."""
    span_s = float(np.ptp(rows["time_s"])) if len(rows) else 0.0
    return (stream.frames - 1 + stream.lost) / span_s if span_s > 0 else float("nan")
