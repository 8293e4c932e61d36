"""What one eye did in one position: its run on each axis, the direction in three axes, what came after."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.beats import Beat
from analysis.estimate import Estimate, error_of, with_error
from analysis.eye_window import EyeWindow, why_no_torsion, why_unusable
from analysis.nystagmus import drift
from analysis.positional_end import AFTER_S, faded_with, fading, last_seen_s
from analysis.positional_onset import first_beat, onset, slow_parts
from analysis.positional_peak import peak_time, peak_velocity
from analysis.positional_runs import CourseSettings, Run, find_runs
from analysis.procedure import Step
from analysis.rest_noise import rest_noise
from capture.samples import Eye

Triple = tuple[float, float, float]
STILL: Triple = (0.0, 0.0, 0.0)
HORIZONTAL, VERTICAL, TORSIONAL = range(3)
FINDABLE_SDS = 5.0  # of the noise: smaller quick phases are easily missed
NO_NYSTAGMUS = "no nystagmus"
QUARTILES_OF_A_NORMAL = 1.349  # distance of the quartiles of a normal distribution, in standard deviations
NO_MORE = "no nystagmus beyond the baseline"


@dataclass(frozen=True)
class Response:
    """One eye in one position. Slow-phase velocities are less the baseline."""

    part: EyeWindow
    step: Step | None
    baseline_dps: Triple
    runs: tuple[tuple[Run, ...], tuple[Run, ...], tuple[Run, ...]]  # by axis, in order of time
    reasons: tuple[str, str, str]  # why nothing is known of an axis
    settings: CourseSettings
    wander_dps: Triple = STILL  # slow drift of the eye at rest, standard deviation over seconds

    @property
    def key(self) -> str:
        """Key of the window."""
        return self.part.window.key

    @property
    def eye(self) -> Eye:
        """Whose trace it is."""
        return self.part.trace.eye

    @property
    def ear_down(self) -> Eye | None:
        """Undermost ear, None where there is none."""
        return self.step.ear_down if self.step else None

    def run(self, axis: int) -> Run | None:
        """The fastest run of an axis that is part of the main one, None without any.

        On other axes than the main one that is the fastest run that overlaps the main run: one that came
        before or after is another nystagmus.
        """
        main = self.main_axis
        if main is None:
            return None
        fastest = max(self.runs[main], key=_speed)
        beside = [r for r in self.runs[axis] if r.start_s < fastest.end_s and r.end_s > fastest.start_s]
        found = fastest if axis == main else max(beside, key=_speed, default=None)
        if found is None or found is fastest:
            return found
        # Chance raises the envelope of a slow axis more than that of a fast one.
        began_s = self.began.value
        slow, fast = (
            abs(peak_velocity(run, self.settings, began_s=began_s).value) for run in (found, fastest)
        )
        return found if slow >= self.settings.least_component_share * fast else None

    @property
    def main_axis(self) -> int | None:
        """Axis of the fastest run, None without any."""
        able = [axis for axis in range(3) if self.runs[axis]]
        return max(able, key=lambda axis: max(map(_speed, self.runs[axis])), default=None)

    @property
    def main(self) -> Run | None:
        """The fastest run of all."""
        return None if self.main_axis is None else self.run(self.main_axis)

    def why_none(self, axis: int) -> str:
        """Why an axis has no run to measure."""
        if self.reasons[axis]:
            return self.reasons[axis]
        return NO_MORE if self.baseline_dps[axis] else NO_NYSTAGMUS

    def peak(self, axis: int) -> Estimate | None:
        """Peak slow-phase velocity of an axis, deg/s, signed."""
        run = self.run(axis)
        if run is None:
            return None
        return peak_velocity(run, self.settings, self.wander_dps[axis], self.began.value)

    @cached_property
    def began(self) -> Estimate:
        """When the main run begins, s: that of all axes, though some are too slow at first to be told.

        Raises ValueError without a run.
        """
        main, axis = self.main, self.main_axis
        if main is None or axis is None:
            raise ValueError("there must be a run")
        trace, window, baseline_dps = self.part.trace, self.part.window, self.baseline_dps[axis]
        first = first_beat(main, self._beats, trace, axis, baseline_dps)
        reached_s = window.used_from_s if window.reached_s is None else window.reached_s
        quiet = quiet_spans(self.part, self.runs)
        return onset(main, first, trace, axis, reached_s, quiet, self.settings, baseline_dps)

    @property
    def _beats(self) -> tuple[Beat, ...]:
        return (*self.part.accepted, *self.part.rejected)

    def latency(self, axis: int) -> Estimate | str:
        """From when the position was reached, s; or why it is not known."""
        run, reached_s = self.run(axis), self.part.window.reached_s
        if run is None:
            return self.why_none(axis)
        if reached_s is None:
            return "when the position was reached is not marked"
        began = self.began
        low, high = (max(end - reached_s, 0.0) for end in began.interval)
        return Estimate(max(began.value - reached_s, 0.0), began.standard_error, (low, max(high, 0.0)))

    def duration(self, axis: int) -> Estimate | str:
        """From the beginning of the run to its end, s; or why it is not known."""
        run = self.run(axis)
        if run is None:
            return self.why_none(axis)
        if self.still_runs(axis):
            lasted_s = self.part.window.end_s - run.start_s
            return f"still running when the position ended: at least {lasted_s:.0f} s"
        began = self.began
        ended = self._ended(run, axis)
        if isinstance(ended, str):
            return ended
        value = ended.value - began.value
        error = math.hypot(began.standard_error, ended.standard_error)
        low = value - math.hypot(began.interval[1] - began.value, ended.value - ended.interval[0])
        high = value + math.hypot(began.value - began.interval[0], ended.interval[1] - ended.value)
        return Estimate(value, error, (max(low, 0.0), high))

    def time_to_peak(self, axis: int) -> Estimate | str:
        """From the beginning of the run to its peak, s; or why it is not known."""
        run = self.run(axis)
        if run is None:
            return self.why_none(axis)
        began, peak = self.began, peak_time(run, self.settings, self.began.value)
        value = max(peak.value - began.value, 0.0)
        error = math.hypot(began.standard_error, peak.standard_error)
        low = value - math.hypot(began.interval[1] - began.value, peak.value - peak.interval[0])
        high = value + math.hypot(began.value - began.interval[0], peak.interval[1] - peak.value)
        return Estimate(value, error, (max(low, 0.0), high))

    def _ended(self, run: Run, axis: int) -> Estimate | str:
        main, main_axis = self.main, self.main_axis
        if main is not None and main_axis is not None and axis != main_axis:
            share, error = self._held_against(main, axis)
            faded = faded_with(main, abs(share), error, self.settings, self.wander_dps[main_axis])
            whole = self._ended(main, main_axis)
            if faded is not None and isinstance(whole, Estimate):  # none outlasts the fastest axis
                return min(faded, whole, key=lambda end: end.value)
        trace, baseline_dps = self.part.trace, self.baseline_dps[axis]
        last_s = last_seen_s(run, self._beats, trace, axis, self.settings, baseline_dps)
        until_s = min(last_s + AFTER_S, self.part.window.end_s)
        after = drift(trace, last_s, until_s, axis, self.part.settings.drift_piece_s)
        after_dps = (
            None if after is None else with_error(after.median - baseline_dps, error_of(after.interval))
        )
        rested = [place for _, place in slow_parts(trace, axis, last_s, until_s)]
        findable_deg = FINDABLE_SDS * rest_noise(rested, trace.rate_hz, 0.0).white_deg
        return fading(run, last_s, after_dps, self.settings, self.wander_dps[axis], findable_deg)

    def still_runs(self, axis: int) -> bool:
        """Whether the position ended before the run did."""
        run = self.run(axis)
        return run is not None and self.part.window.end_s - run.end_s < self.settings.run_gap_s

    def lasts_at_least_s(self, axis: int) -> float:
        """Duration, or what was seen of it; 0 without a run."""
        run = self.run(axis)
        if run is None:
            return 0.0
        lasted = self.duration(axis)
        if isinstance(lasted, Estimate):
            return lasted.value
        return (self.part.window.end_s if self.still_runs(axis) else run.end_s) - run.start_s

    def reversal(self, axis: int) -> Run | None:
        """The first later run of the other direction in the same position."""
        run = self.run(axis)
        later = [] if run is None else [
            r for r in self.runs[axis] if r.start_s >= run.end_s and r.sign == -run.sign
        ]  # fmt: skip
        return later[0] if later else None

    def came_before_s(self) -> float:
        """Slow phases the other way before the main run, the fastest above its peak; too few for a run."""
        main, axis = self.main, self.main_axis
        if main is None or axis is None:
            return 0.0
        before = [b for b in self.part.accepted if b.quick_end_s <= main.start_s]
        speeds = [-main.sign * (b.slow_phase_velocity_dps[axis] - self.baseline_dps[axis]) for b in before]
        if max(speeds, default=0.0) <= _speed(main):
            return 0.0
        other_way = [b for b, speed in zip(before, speeds, strict=True) if speed >= self.settings.least_dps]
        return sum(b.slow_end_s - b.slow_start_s for b in other_way)

    def is_of_baseline(self) -> bool:
        """Whether the main run is slower than the baseline's nystagmus, which may grow or fade by as much.

        With gaze and alertness (design choice): it then names no other nystagmus.
        """
        main, axis = self.main, self.main_axis
        return main is not None and axis is not None and _speed(main) < abs(self.baseline_dps[axis])

    def direction(self) -> tuple[Triple, Triple] | None:
        """Direction of the slow phase of the main run, and its standard error: shares of its length.

        Each axis is held against the main one over all beats of the run (a line through 0), so that one axis
        of little velocity is known as well as the whole run allows. Torsion is NaN where it is not assessed.
        """
        main_axis, main = self.main_axis, self.main
        if main_axis is None or main is None:
            return None
        lengths, errors = [0.0] * 3, [0.0] * 3
        for axis in range(3):
            lengths[axis], errors[axis] = self._held_against(main, axis)
        whole = math.hypot(*(v for v in lengths if math.isfinite(v))) * main.sign
        shares = [v / whole for v in lengths]
        return (shares[0], shares[1], shares[2]), tuple(e / abs(whole) for e in errors)  # type: ignore[return-value]

    def _held_against(self, main: Run, axis: int) -> tuple[float, float]:
        if self.reasons[axis]:
            return math.nan, math.nan
        own = np.array([b.slow_phase_velocity_dps[axis] for b in main.beats]) - self.baseline_dps[axis]
        known = np.isfinite(own)
        if np.count_nonzero(known) < self.settings.run_beats:
            return math.nan, math.nan
        speed, own = np.abs(main.velocity_dps[known]), own[known] * main.sign
        power = float(speed @ speed)
        ratio = float(speed @ own) / power
        rest = own - ratio * speed
        return ratio, math.sqrt(float((speed**2) @ (rest**2))) / power


def _speed(run: Run) -> float:
    return float(np.max(np.abs(run.envelope_dps)))


def response(
    part: EyeWindow,
    step: Step | None,
    baseline_dps: Triple,
    settings: CourseSettings,
    baseline_scatter_dps: Triple = STILL,
) -> Response:
    """Find the runs of one eye in one position; the baseline with its scatter from beat to beat."""
    whole = why_unusable(part)
    torsion = whole or (why_no_torsion(part) if part.accepted else "")
    reasons = (whole, whole, torsion)
    runs = tuple(
        ()
        if reasons[axis]
        else find_runs(
            part.trace, part.accepted, axis, baseline_dps[axis], settings, baseline_scatter_dps[axis]
        )
        for axis in range(3)
    )
    found = (runs[0], runs[1], runs[2])
    wander = tuple(_wander(part, axis, found, settings) for axis in range(3))
    return Response(part, step, baseline_dps, found, reasons, settings, (wander[0], wander[1], wander[2]))


def quiet_spans(part: EyeWindow, runs: tuple[tuple[Run, ...], ...]) -> list[tuple[float, float]]:
    """From when to when there is no nystagmus on any axis: before all runs, and after them."""
    busy = [(r.start_s, r.end_s) for of_axis in runs for r in of_axis]
    if not busy:
        return [(part.window.used_from_s, part.window.end_s)]
    starts, ends = zip(*busy, strict=True)
    return [(part.window.used_from_s, min(starts)), (max(ends), part.window.end_s)]


def _wander(part: EyeWindow, axis: int, runs: tuple[tuple[Run, ...], ...], settings: CourseSettings) -> float:
    """How much the eye drifts of itself, deg/s: scatter of its slope over seconds without nystagmus.

    Where too few of them are quiet the usual drift of an eye stands for it.
    """
    slopes = [
        slow.quartiles
        for start_s, end_s in quiet_spans(part, runs)
        if (slow := drift(part.trace, start_s, end_s, axis, settings.quiet_piece_s)) is not None
        and slow.count >= settings.quiet_pieces
    ]
    if not slopes:
        return settings.usual_wander_dps
    return max(high - low for low, high in slopes) / QUARTILES_OF_A_NORMAL


def first_of(responses: Sequence[Response], key: str, eye: Eye) -> Response | None:
    """The response of one window and eye."""
    return next((r for r in responses if (r.key, r.eye) == (key, eye)), None)
