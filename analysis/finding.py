"""A finding: one measured thing with its uncertainty, or the reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Literal

from analysis.limits import Limit
from capture.samples import Eye

Verdict = Literal["inside", "outside", "none"]


@dataclass(frozen=True, slots=True)
class Span:
    """A piece of one eye's trace that shows a finding; times in seconds from the recording's zero."""

    eye: Eye
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Finding:
    """One measure of one eye and axis in one step, or of the steps and eyes together.

    `value` is None exactly when `reason` says why ("not assessed"); it is then never to be read as 0 or as
    normal. `value` is signed where the quantity is (slow-phase velocity: positive is the patient's right,
    up, upper pole toward the patient's right ear).
    """

    key: str  # "slow_phase_velocity", "fixation_index" ...
    name: str
    unit: str
    value: float | None = None
    reason: str = ""  # why not assessed
    step: str = ""  # key of the step it was measured in; "" for a measure over several steps
    eye: Eye | None = None
    axis: str | None = None
    quartiles: tuple[float, float] | None = None  # spread over the beats
    standard_error: float | None = None
    interval: tuple[float, float] | None = None  # 95 %
    calibration_error: float | None = None  # standard error of it in `interval`, not in `standard_error`
    calibration: str = ""  # short name of the calibration that it is of
    accepted: int | None = None  # beats used
    rejected: int | None = None  # beats found but refused by the machine
    agreeing: int | None = None  # accepted beats whose quick phase goes the way of the median
    direction: str = ""  # of the quick phase: "right", "up" ...; "" where none is proven or present
    present: bool | None = None  # by the presence rule; None where it could not be applied
    marks: tuple[str, ...] = ()  # not proven ("uncalibrated" ...): such a value is held against no limit
    formula: str = ""
    limit: Limit | None = None
    verdict: Verdict = "none"
    verdict_reason: str = ""  # why no limit was applied
    spans: tuple[Span, ...] = ()

    @property
    def no_beats(self) -> bool:
        """Whether it is missing only because the eye, though seen, made too few beats."""
        return self.value is None and "accepted beat" in self.reason

    def __post_init__(self) -> None:
        if (self.value is None) != bool(self.reason):
            raise ValueError(f"finding {self.key!r} needs a value or a reason, and not both")
        if self.value is not None and not isfinite(self.value):
            raise ValueError(f"finding {self.key!r} needs a finite value, got {self.value}")
