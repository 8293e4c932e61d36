"""What the tests with a stimulus have in common: who may be measured, and findings made of repeats."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.battery.stepwise import Measured
from analysis.estimate import Estimate
from analysis.eye_window import EyeWindow, why_unusable
from analysis.finding import Finding, Span
from analysis.marking import DIRECTION_NOT_PROVEN, RATE_NOT_PROVEN, UNCALIBRATED
from analysis.nystagmus import middle
from analysis.procedure import Step, Window
from analysis.windows import step_of
from capture.samples import AXES, Eye

Floats = NDArray[np.float64]
NOT_LED = "step not recorded"


@dataclass(frozen=True, slots=True)
class Place:
    """Where a finding belongs."""

    step: str
    eye: Eye | None = None
    axis: int | None = None
    marks: tuple[str, ...] = ()

    def finding(self, key: str, name: str, unit: str, reason: str, formula: str = "") -> Finding:
        """One without a value."""
        axis = None if self.axis is None else AXES[self.axis]
        return Finding(
            key, name, unit, reason=reason, step=self.step, eye=self.eye, axis=axis, marks=self.marks,
            formula=formula,
        )  # fmt: skip


def place_of(window: Window, part: EyeWindow | None, eye: Eye, axis: int | None = None) -> Place:
    """Where findings of one try of a step belong, with what is not proven of the eye."""
    return Place(window.key, eye, axis, part.marking.marks if part else ())


def why_not(part: EyeWindow | None, *, degrees: bool = True, times: bool = False) -> str:
    """Why a measure that needs directions, perhaps degrees and perhaps proven times is not given, or ""."""
    if part is None:
        return NOT_LED
    if why := why_unusable(part):
        return why
    marks = part.marking.marks
    for mark, matters in ((UNCALIBRATED, degrees), (DIRECTION_NOT_PROVEN, True), (RATE_NOT_PROVEN, times)):
        if matters and mark in marks:
            return mark
    return ""


def parts_of(measured: Measured, step: Step, eye: Eye) -> list[tuple[Window, EyeWindow | None]]:
    """Every try of a step with what was seen of one eye in it; one that is missing where it was not led."""
    led = [w for w in measured.windows if step_of(w, (step,)) is not None]
    if not led:
        return [(Window(step.key, step.light, 0.0, 0.0, 0.0, NOT_LED, outside=True), None)]
    return [(w, measured.parts.get((w.key, eye))) for w in led]


def of_repeats(blank: Finding, values: ArrayLike, found: int, least: int, what: str) -> Finding:
    """The median of repeats (n,) in order of time, of `found` altogether; or that they are too few."""
    value = np.asarray(values, np.float64)
    counted = replace(blank, accepted=value.size, rejected=found - value.size)
    if value.size < least:
        return replace(counted, reason=f"{value.size} {what}, {least} needed")
    centre = middle(value, np.full(value.size, np.nan))
    return replace(
        counted,
        value=centre.median,
        reason="",
        quartiles=centre.quartiles,
        standard_error=centre.standard_error,
        interval=centre.interval,
    )


def of_estimate(blank: Finding, estimate: Estimate | str) -> Finding:
    """A finding with this value, or with the reason that stands in its place."""
    if isinstance(estimate, str):
        return replace(blank, reason=estimate)
    return replace(
        blank,
        value=estimate.value,
        reason="",
        standard_error=estimate.standard_error if np.isfinite(estimate.standard_error) else None,
        interval=estimate.interval if np.isfinite(estimate.interval).all() else None,
    )


def counted(blank: Finding, number: int, spans: Sequence[Span] = ()) -> Finding:
    """A count."""
    return replace(blank, value=float(number), reason="", spans=tuple(spans))


def by_key(found: Sequence[Finding]) -> Mapping[tuple[str, str, Eye | None], Finding]:
    """Findings by key, step and eye."""
    return {(f.key, f.step, f.eye): f for f in found}
