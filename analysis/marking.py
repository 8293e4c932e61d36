"""What the recording has proven about one eye, and so what may be printed of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capture.samples import Eye

if TYPE_CHECKING:
    from recordings.sealed import Recording

UNCALIBRATED = "uncalibrated"
DIRECTION_NOT_PROVEN = "direction not proven"
RATE_NOT_PROVEN = "frame rate not proven"

WARNED_LOST_SHARE = 0.01  # design choice: above it the report warns
BLOCKED_LOST_SHARE = 0.05  # design choice: above it nothing is assessed


@dataclass(frozen=True, slots=True)
class Marking:
    """What is not proven about one eye (`marks`), and what a reader should know (`cautions`)."""

    eye: Eye
    marks: tuple[str, ...]
    cautions: tuple[str, ...]
    blocked: str  # why nothing of this eye is assessed; "" when it may be
    lost_share: float

    @property
    def direction_proven(self) -> bool:
        """Whether a direction word may be printed."""
        return DIRECTION_NOT_PROVEN not in self.marks

    @property
    def calibrated(self) -> bool:
        """Whether degrees come from this eye's own calibration."""
        return UNCALIBRATED not in self.marks


def mark(recording: Recording, eye: Eye) -> Marking:
    """Judge one eye of a recording.

    Nominal frame times make each velocity as wrong as the nominal rate is, so they are marked like a missing
    calibration: the number stands, and meets no limit.
    """
    calibration = recording.calibrations[eye]
    stream = recording.info.eyes[eye]
    lost = stream.lost / max(stream.frames + stream.lost, 1)
    marks = {
        UNCALIBRATED: not calibration.calibrated,
        DIRECTION_NOT_PROVEN: calibration.direction != "proven",
        RATE_NOT_PROVEN: stream.times == "nominal",
    }
    cautions = {
        f"calibration usable only with care: {calibration.reason}": calibration.grade == "usable",
        f"calibration refused: {calibration.reason}": calibration.grade == "refused",
        f"{lost:.1%} of the frames were lost": lost > WARNED_LOST_SHARE,
        f"{stream.repeated} pictures were copies of the one before": stream.repeated > 0,
        "the picture contradicts the direction of the targets: mirrored or turned, or another eye": (
            calibration.direction == "contradicted"
        ),
        "frame times come from the nominal rate: velocities are as wrong as it is": stream.times == "nominal",
    }
    blocked = f"{lost:.1%} of the frames were lost (more than {BLOCKED_LOST_SHARE:.0%})"
    return Marking(
        eye,
        tuple(word for word, holds in marks.items() if holds),
        tuple(text for text, holds in cautions.items() if holds),
        blocked if lost > BLOCKED_LOST_SHARE else "",
        lost,
    )
