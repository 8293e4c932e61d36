"""What the recording has proven about one eye, and so what may be printed of it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING

from capture.samples import Eye

if TYPE_CHECKING:
    from analysis.procedure import Recorded

UNCALIBRATED = "uncalibrated"
DIRECTION_NOT_PROVEN = "direction not proven"
RATE_NOT_PROVEN = "frame rate not proven"
NOT_VERIFIED = "not verified"
OUTSIDE_RANGE = "outside the calibrated range"
DOUBTFUL = {
    "deg": (UNCALIBRATED, OUTSIDE_RANGE),
    "deg/s": (UNCALIBRATED, OUTSIDE_RANGE, RATE_NOT_PROVEN),
    "1/s": (RATE_NOT_PROVEN,),
}  # the marks that make a number of this unit doubtful
SHORT = {UNCALIBRATED: "uncal.", OUTSIDE_RANGE: "range?", RATE_NOT_PROVEN: "rate?"}

WARNED_LOST_SHARE = 0.01  # design choice: above it the report warns
BLOCKED_LOST_SHARE = 0.05  # design choice: above it nothing is assessed
TORSION_WITHHELD = "torsion withheld: the direction check is contradicted"

Range = tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Marking:
    """What is not proven about one eye (`marks`), and what a reader should know (`cautions`)."""

    eye: Eye
    marks: tuple[str, ...]
    cautions: tuple[str, ...]
    blocked: str  # why nothing of this eye is assessed; "" when it may be
    lost_share: float
    rate_hz: float  # of distinct pictures; NaN where there is none
    torsion_withheld: str  # why torsion is not given although it may be readable; "" when it is given
    range_deg: tuple[Range, Range]  # calibrated, horizontal and vertical

    @property
    def direction_proven(self) -> bool:
        """Whether a direction word may be printed."""
        return DIRECTION_NOT_PROVEN not in self.marks

    @property
    def calibrated(self) -> bool:
        """Whether degrees come from this eye's own calibration."""
        return UNCALIBRATED not in self.marks


def mark(recording: Recorded, eye: Eye) -> Marking:
    """Judge one eye of a recording.

    Nominal frame times make each velocity as wrong as the nominal rate is, so they are marked like a missing
    calibration: the number stands, and is held against no limit.
    """
    calibration = recording.calibrations[eye]
    stream = recording.info.eyes[eye]
    lost = stream.lost / max(stream.frames + stream.lost, 1)
    marks = {
        UNCALIBRATED: not calibration.calibrated,
        DIRECTION_NOT_PROVEN: calibration.direction != "proven",
        RATE_NOT_PROVEN: stream.times == "nominal",
        NOT_VERIFIED: not recording.verified,
    }
    copies = "1 picture was a copy" if stream.repeated == 1 else f"{stream.repeated} pictures were copies"
    cautions = {
        f"calibration {_uncapitalised(calibration.reason)}": calibration.grade in ("usable", "refused"),
        f"{lost:.1%} of the frames were lost": lost > WARNED_LOST_SHARE,
        f"{copies} of the one before": stream.repeated > 0,
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
        stream.measured_rate_hz,
        TORSION_WITHHELD if calibration.direction == "contradicted" else "",
        (calibration.valid_horizontal_deg, calibration.valid_vertical_deg),
    )


def rounded(value: float, digits: int) -> str:
    """A signed number with a true minus, and no minus before a zero."""
    text = f"{value:.{digits}f}"
    return text.replace("-", "−") if float(text) else text.lstrip("-")


def marked(text: str, unit: str, marks: Collection[str], *, short: bool = False) -> str:
    """Every number in deg, deg/s or 1/s passes here: in brackets with what makes it doubtful, or as it is.

    `short` is for narrow cells of a table that explains it by `shortened`.

    >>> marked("8.0", "deg/s", ("uncalibrated", "direction not proven"))
    '[8.0] uncalibrated'
    """
    doubts = [SHORT[mark] if short else mark for mark in DOUBTFUL.get(unit, ()) if mark in marks]
    return f"[{text}] {', '.join(doubts)}" if doubts else text


def shortened(marks: Collection[str]) -> str:
    """What the short words for these marks mean, as a sentence; "" without any."""
    said = ", ".join(f"{word} = {mark}" for mark, word in SHORT.items() if mark in marks)
    return f"In brackets: doubtful; {said}." if said else ""


def _uncapitalised(text: str) -> str:
    return text[:1].lower() + text[1:]
