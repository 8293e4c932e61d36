"""The findings of one eye after one irrigation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import median_filter

from analysis.battery.stepwise import Measured
from analysis.beats import Beat
from analysis.caloric import right_beating
from analysis.caloric_onset import beginning
from analysis.caloric_peak_time import peak_time
from analysis.caloric_response import CaloricSettings, Culmination, Span, culmination, known_beats
from analysis.caloric_wander import wander_error
from analysis.estimate import Estimate, error_of, with_error
from analysis.eye_window import DRIFT, VELOCITY
from analysis.finding import Finding
from analysis.marking import Marking
from analysis.nystagmus import sure_direction, valid_seconds
from analysis.positional import bent, decay
from analysis.positional_runs import CourseSettings, find_runs
from analysis.trace import Trace
from capture.samples import AXES, Eye

CULMINATION, WHEN, COUNT = "culmination_velocity", "culmination_time", "culmination_beats"
BEFORE, LATENCY, DURATION, TAU = "velocity_before", "latency", "duration", "time_constant"
REVERSAL, UNSEEN = "response_reversal", "culmination_unseen"
NAMES = {
    CULMINATION: (
        "slow-phase velocity at the culmination",
        "deg/s",
        "10 s mean of the 5 s medians, furthest from before",
    ),
    WHEN: (
        "time of the culmination",
        "s",
        "peak of all courses that its beats allow - start of the irrigation",
    ),
    COUNT: ("beats in the 30 s of the culmination", "", "count"),
    UNSEEN: ("eye not seen in the 30 s of the culmination", "%", "100 (1 - seconds seen / 30 s)"),
    BEFORE: ("slow-phase velocity before the irrigation", "deg/s", "median, or slow drift without beats"),
    LATENCY: (
        "beginning of the response",
        "s",
        "first of 3 beats in its direction - start of the irrigation; interval: where the rise was 0",
    ),
    REVERSAL: ("reversal", "s", "first of 3 beats against the response, after it - start of the irrigation"),
    DURATION: ("duration of the response", "s", "last beat in its direction - its beginning"),
    TAU: ("time constant of the decline", "s", "SPV(t) = SPV0 exp(-t / tau), from the peak on, in the dark"),
}
COURSE = (LATENCY, DURATION, TAU, REVERSAL)
NO_RISE = "too few beats tell its rise, or it is not certain: when it began is not known"
USUAL_BEATS = 9  # whose median tells whether the decline is still fast enough


@dataclass(frozen=True, slots=True)
class Irrigated:
    """One eye after one irrigation."""

    eye: Eye
    trace: Trace
    beats: tuple[Beat, ...]
    marking: Marking
    started_s: float
    ended_s: float
    lit: tuple[Span, ...]
    settings: CaloricSettings

    def in_dark(self, beat: Beat) -> bool:
        """Whether no part of a beat lies in the light."""
        return not any(low <= beat.quick_end_s and beat.slow_start_s <= high for low, high in self.lit)

    def finding(
        self, key: str, axis: int | None, measured: Estimate | float | None = None, reason: str = ""
    ) -> Finding:
        """A finding with a value or a reason."""
        name, unit, formula = NAMES[key]
        estimate = measured if isinstance(measured, Estimate) else None
        known = estimate is not None and math.isfinite(estimate.standard_error)
        return Finding(
            key=key,
            name=name,
            unit=unit,
            value=estimate.value if estimate else measured if isinstance(measured, float) else None,
            reason=reason,
            step="response",
            eye=self.eye,
            axis=None if axis is None else AXES[axis],
            standard_error=estimate.standard_error if estimate and known else None,
            interval=estimate.interval if estimate and known else None,
            marks=self.marking.marks,
            formula=formula,
        )


def irrigation_findings(eye: Irrigated, blocked: str, before: Finding) -> tuple[Finding, ...]:
    """Culmination on each axis, its time and beats, beginning, end and decline of the response.

    `before`, the horizontal slow-phase velocity before the irrigation, is taken off where the response has to
    be told from it: when it culminates, begins, ends, how it declines. The velocity of the culmination keeps
    it, as the formulas want.
    """
    before_dps = before.value or 0.0
    rest = (WHEN, COUNT, UNSEEN, *COURSE)
    if blocked := blocked or _why_hidden(eye):
        whole = [(CULMINATION, axis) for axis in range(3)] + [(key, 0) for key in rest]
        return tuple(eye.finding(key, axis, reason=blocked) for key, axis in whole)
    seen = (eye.started_s, eye.ended_s, eye.lit, eye.settings)
    rests_dps = enumerate((before_dps, 0.0, 0.0))
    peaks = [culmination(eye.trace, eye.beats, axis, *seen, rest_dps) for axis, rest_dps in rests_dps]
    peaks[0] = _with_wander(eye, peaks[0])
    found = [_culmination(eye, axis, peak) for axis, peak in enumerate(peaks)]
    horizontal = peaks[0]
    if isinstance(horizontal, str):
        return (*found, *(eye.finding(key, 0, reason=horizontal) for key in rest))
    course = _course(eye, horizontal, with_error(before_dps, error_of(before.interval)))
    if before.value is None:  # a nystagmus that was there before would pass for a reversal
        course = [eye.finding(REVERSAL, 0, reason=before.reason) if f.key == REVERSAL else f for f in course]
    return (*found, *course)


def _with_wander(eye: Irrigated, peak: Culmination | str) -> Culmination | str:
    """The horizontal culmination, at least as uncertain as the wander that the vertical axis shows."""
    if isinstance(peak, str) or peak.from_drift:
        return peak
    until = [b for b in eye.beats if b.quick_end_s <= eye.ended_s]
    wander_dps = wander_error(until, eye.lit, eye.settings.mean_s, eye.settings.least_beats)
    error_dps = max(peak.velocity.standard_error, wander_dps)
    return replace(peak, velocity=with_error(peak.velocity.value, error_dps))


def _culmination(eye: Irrigated, axis: int, peak: Culmination | str) -> Finding:
    if isinstance(peak, str):
        return eye.finding(CULMINATION, axis, reason=peak)
    if axis == 2 and (peak.from_drift or eye.marking.torsion_withheld):
        return eye.finding(CULMINATION, axis, reason=eye.marking.torsion_withheld or "torsion not readable")
    word = sure_direction(AXES[axis], peak.velocity.interval) if eye.marking.direction_proven else ""
    found = eye.finding(CULMINATION, axis, peak.velocity)
    if peak.from_drift:
        return replace(found, name=f"{found.name} (slow drift, no beats)")
    return replace(found, direction=word, accepted=peak.beats, present=abs(peak.velocity.value) >= 1.0)


def _course(eye: Irrigated, peak: Culmination, before: Estimate) -> list[Finding]:
    before_dps = before.value
    found = [
        _when(eye, peak, before_dps),
        eye.finding(COUNT, 0, float(peak.beats)),
        eye.finding(UNSEEN, 0, _unseen_percent(eye, peak)),
    ]
    inside = [b for b in eye.beats if b.accepted and eye.started_s <= b.slow_start_s <= eye.ended_s]
    every = find_runs(eye.trace, inside, 0, before_dps, CourseSettings())
    sign = int(np.sign(peak.velocity.value - before_dps))
    runs = [r for r in every if r.sign == sign and r.end_s > eye.started_s]
    if not runs:
        return found + [eye.finding(key, 0, reason="no nystagmus") for key in COURSE]
    began_s, ended_s = runs[0].start_s, runs[-1].end_s
    beginning_s = _beginning(eye, peak, before, began_s)
    if not math.isfinite(beginning_s.standard_error):
        found += [eye.finding(key, 0, reason=NO_RISE) for key in (LATENCY, DURATION)]
    else:
        found.append(eye.finding(LATENCY, 0, beginning_s))
        found.append(_duration(eye, began_s, ended_s))
    turned = _reversal(eye, inside, before_dps, sign, max(ended_s, peak.span_s[1]))
    return [*found, _decline(eye, peak, before), turned]


def _when(eye: Irrigated, peak: Culmination, before_dps: float) -> Finding:
    """When the response was at its fastest, s from the start of the irrigation."""
    if peak.from_drift:
        return eye.finding(WHEN, 0, reason="no beats at the culmination")
    time_s, velocity_dps, error_dps = known_beats(eye.beats, 0, eye.lit)
    inside = (time_s >= eye.started_s) & (time_s <= eye.ended_s)
    speed_dps = np.sign(peak.velocity.value - before_dps) * (velocity_dps - before_dps)
    since_s = time_s - eye.started_s
    about_s = sum(peak.span_s) / 2 - eye.started_s
    when = peak_time(since_s[inside], speed_dps[inside], error_dps[inside], about_s)
    if isinstance(when, str):
        return eye.finding(WHEN, 0, reason=when)
    return eye.finding(WHEN, 0, when)


def _duration(eye: Irrigated, began_s: float, ended_s: float) -> Finding:
    length_s = ended_s - began_s
    if eye.ended_s - ended_s < CourseSettings().run_gap_s:
        why = f"still running at the end of the recording: at least {length_s:.0f} s"
        return eye.finding(DURATION, 0, reason=why)
    return eye.finding(DURATION, 0, length_s)


def _why_hidden(eye: Irrigated) -> str:
    """Why the culmination is not known though some of the response was seen; "" where it may be."""
    start_s, end_s = (eye.started_s + s for s in eye.settings.searched_s)
    end_s = min(end_s, eye.ended_s, *(low for low, _ in eye.lit if low > start_s))
    sought_s = end_s - start_s
    if sought_s < eye.settings.mean_s:
        return ""
    hidden = 1.0 - valid_seconds(eye.trace, start_s, end_s) / sought_s
    why = f"eye not seen in {hidden:.0%} of the {sought_s:.0f} s in which the culmination is sought"
    return why if hidden > eye.settings.most_hidden_share else ""


def _unseen_percent(eye: Irrigated, peak: Culmination) -> float:
    """Share of the 30 s about the culmination in which lids or lost frames hid the eye, percent."""
    middle_s, half_s = sum(peak.span_s) / 2, eye.settings.counted_s / 2
    span = max(middle_s - half_s, eye.started_s), min(middle_s + half_s, eye.ended_s)
    return 100.0 * max(1.0 - valid_seconds(eye.trace, *span) / (span[1] - span[0]), 0.0)


def _reversal(eye: Irrigated, beats: Sequence[Beat], before_dps: float, sign: int, after_s: float) -> Finding:
    """First run in the dark against the response, where the eye beats that way: not only less than before."""
    dark = [b for b in beats if eye.in_dark(b)]
    for run in find_runs(eye.trace, dark, 0, before_dps, CourseSettings()):
        raw_dps = float(np.median(run.velocity_dps)) + before_dps
        if run.start_s >= after_s and run.sign == np.sign(raw_dps) == -sign:
            return eye.finding(REVERSAL, 0, run.start_s - eye.started_s)
    return eye.finding(REVERSAL, 0, reason="no reversal")


def _beginning(eye: Irrigated, peak: Culmination, before: Estimate, began_s: float) -> Estimate:
    """When the response began, s from the start of the irrigation."""
    before_dps = before.value
    side = float(np.sign(peak.velocity.value - before_dps))
    rows = [
        ((b.slow_start_s + b.slow_end_s) / 2, side * (b.slow_phase_velocity_dps[0] - before_dps))
        for b in eye.beats
        if b.accepted and began_s <= b.slow_end_s <= peak.span_s[1]
        and math.isfinite(b.slow_phase_velocity_dps[0])
    ]  # fmt: skip
    table = np.array(rows, dtype=np.float64).reshape(-1, 2)
    response_dps = abs(peak.velocity.value - before_dps)
    there = not before.interval[0] <= 0 <= before.interval[1]
    since_s = table[:, 0] - eye.started_s
    began_s -= eye.started_s
    error_dps = before.standard_error
    return beginning(since_s, table[:, 1], began_s, response_dps, error_dps, over_another=there)


def _decline(eye: Irrigated, peak: Culmination, before: Estimate) -> Finding:
    """Time constant over the dark beats after the culmination, while they are fast enough to be told.

    A velocity before the irrigation that is off bends the decline, most at its slow end.
    """
    response_dps = abs(peak.velocity.value - before.value)
    side = np.sign(peak.velocity.value - before.value)
    rows = [
        ((b.slow_start_s + b.slow_end_s) / 2, side * (b.slow_phase_velocity_dps[0] - before.value))
        for b in eye.beats
        if b.accepted and peak.span_s[1] <= b.slow_start_s <= eye.ended_s
        and eye.in_dark(b)
        and math.isfinite(b.slow_phase_velocity_dps[0])
    ]  # fmt: skip
    table = np.array(rows, dtype=np.float64).reshape(-1, 2)
    usual = median_filter(table[:, 1], size=USUAL_BEATS, mode="nearest") if len(table) else table[:, 1]
    slow = np.flatnonzero(usual < eye.settings.declined_share * response_dps)
    table = table[: slow[0]] if len(slow) else table
    if len(table) < eye.settings.summit_beats:
        return eye.finding(TAU, 0, reason="too few beats after the culmination")
    tau = decay(*table.T)
    if isinstance(tau, str):
        return eye.finding(TAU, 0, reason=tau)
    return eye.finding(
        TAU, 0, bent(tau, error_of(before.interval), response_dps, float(usual[len(table) - 1]))
    )


def before_finding(eye: Irrigated, measured: Measured) -> Finding:
    """Horizontal slow-phase velocity before the irrigation: median of the beats, or the drift without any."""
    for key in (VELOCITY, DRIFT):
        for f in measured.findings:
            if (f.key, f.step, f.eye, f.axis) == (key, "baseline", eye.eye, AXES[0]) and f.value is not None:
                error = f.standard_error or 0.0
                interval = f.interval or (f.value, f.value)
                return eye.finding(BEFORE, 0, Estimate(f.value, error, interval))
    return eye.finding(BEFORE, 0, reason="not measured before the irrigation")


def beating(finding: Finding) -> float:
    """Right-beating speed of a horizontal slow-phase velocity. Raises ValueError where it has no value."""
    if finding.value is None:
        raise ValueError(f"finding must have a value, got {finding.key}: {finding.reason}")
    return right_beating(finding.value)
