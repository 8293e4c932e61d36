"""The findings of one eye in one position: when, how long, how fast on each axis, and its course."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from analysis.estimate import Estimate
from analysis.finding import Finding, Span
from analysis.nystagmus import direction
from analysis.positional import asymmetry, fatigue_ratio, is_crescendo_decrescendo, time_constant
from analysis.positional_hidden import hidden_beginning, hidden_peak
from analysis.positional_peak import peak_velocity, ratio_error
from analysis.positional_responses import HORIZONTAL, Response
from analysis.positional_runs import Run
from capture.samples import AXES, EYES, Eye

LATENCY, DURATION = "latency", "duration"
PEAK, TIME_TO_PEAK, TIME_CONSTANT = "peak_slow_phase_velocity", "time_to_peak", "time_constant"
CRESCENDO, REVERSAL = "crescendo_decrescendo", "reversal_peak"
ASYMMETRY, FATIGUE = "side_asymmetry", "fatigue_ratio"
NAMES = {
    LATENCY: ("latency", "s", "beginning of the slow phase - position reached"),
    DURATION: ("duration", "s", "end of nystagmus (below 1 deg/s, or no beat for 3 s) - its beginning"),
    PEAK: ("peak slow-phase velocity", "deg/s", "largest value of the smoothed slow-phase velocity"),
    TIME_TO_PEAK: ("time to the peak", "s", "time of the peak - beginning of nystagmus"),
    TIME_CONSTANT: ("time constant of the decline", "s", "SPV(t) = SPV0 exp(-t / tau), from the peak on"),
    CRESCENDO: ("rises to one peak and falls (1 yes, 0 no)", "", "peak beyond the first and last tenth"),
    REVERSAL: ("peak after reversal in the same position", "deg/s", "largest smoothed velocity"),
    ASYMMETRY: ("asymmetry between the sides", "%", "100 (|R| - |L|) / (|R| + |L|) of horizontal peaks"),
    FATIGUE: ("peak of the repeat over the first", "", "|peak of the repeat| / |first peak|"),
}  # name, unit, formula


def course_findings(response: Response) -> tuple[Finding, ...]:
    """Every measure of every axis; what an axis does not show stands with its reason."""
    return tuple(f for axis in range(3) for f in _of_axis(response, axis))


def _of_axis(response: Response, axis: int) -> list[Finding]:
    unseen = hidden_beginning(response, axis)
    found = [
        _estimated(response, axis, LATENCY, unseen or response.latency(axis)),
        _estimated(response, axis, DURATION, unseen or response.duration(axis)),
        _peak(response, axis),
    ]
    run = response.run(axis)
    if run is None:
        why = response.why_none(axis)
        return found + [
            _finding(response, axis, key, reason=why)
            for key in (TIME_TO_PEAK, TIME_CONSTANT, CRESCENDO, REVERSAL)
        ]
    unseen = unseen or hidden_peak(response, axis)
    found.append(_estimated(response, axis, TIME_TO_PEAK, unseen or response.time_to_peak(axis)))
    found.append(
        _estimated(
            response, axis, TIME_CONSTANT, time_constant(run, response.settings, response.wander_dps[axis])
        )
    )
    found.append(
        _finding(response, axis, CRESCENDO, reason=unseen) if unseen else _crescendo(response, axis, run)
    )
    found.append(_reversal(response, axis))
    return found


def _finding(
    response: Response, axis: int | None, key: str, reason: str = "", value: float | None = None
) -> Finding:
    name, unit, formula = NAMES[key]
    return Finding(
        key=key,
        name=name,
        unit=unit,
        value=value,
        reason=reason,
        step=response.key,
        eye=response.eye,
        axis=None if axis is None else AXES[axis],
        accepted=len(response.part.accepted),
        rejected=len(response.part.rejected),
        marks=response.part.marking.marks,
        formula=formula,
    )


def _estimated(response: Response, axis: int, key: str, measured: Estimate | str) -> Finding:
    if isinstance(measured, str):
        return _finding(response, axis, key, reason=measured)
    return _with_error(_finding(response, axis, key, value=measured.value), measured)


def _with_error(finding: Finding, measured: Estimate) -> Finding:
    known = math.isfinite(measured.standard_error)
    return replace(
        finding,
        standard_error=measured.standard_error if known else None,
        interval=measured.interval if all(map(math.isfinite, measured.interval)) else None,
    )


def _peak(response: Response, axis: int) -> Finding:
    run, peak = response.run(axis), response.peak(axis)
    if run is None or peak is None:
        absent = None if response.reasons[axis] else False
        return replace(_finding(response, axis, PEAK, reason=response.why_none(axis)), present=absent)
    low, high = peak.interval
    if axis != response.main_axis and low <= 0 <= high:  # what beats on the main axis is told by its run
        why = f"its few beats do not tell which way: 95 % from {low:.0f} to {high:.0f} deg/s"
        return replace(_finding(response, axis, PEAK, reason=why), present=None)
    proven = response.part.marking.direction_proven
    return replace(
        _estimated(response, axis, PEAK, hidden_peak(response, axis) or peak),
        present=True,
        direction=direction(AXES[axis], peak.value) if proven else "",
        accepted=len(run.beats),
        spans=tuple(Span(b.eye, b.slow_start_s, b.quick_end_s) for b in run.beats),
    )


def _crescendo(response: Response, axis: int, run: Run) -> Finding:
    if response.still_runs(axis):
        return _finding(response, axis, CRESCENDO, reason="still running when the position ended")
    rises = is_crescendo_decrescendo(run, response.settings)
    return _finding(response, axis, CRESCENDO, value=float(rises))


def _reversal(response: Response, axis: int) -> Finding:
    later = response.reversal(axis)
    if later is None:
        return _finding(response, axis, REVERSAL, reason="no reversal")
    peak = peak_velocity(later, response.settings, response.wander_dps[axis])
    proven = response.part.marking.direction_proven
    word = direction(AXES[axis], peak.value) if proven else ""
    return replace(_estimated(response, axis, REVERSAL, peak), direction=word, present=True)


def side_findings(responses: Sequence[Response]) -> tuple[Finding, ...]:
    """Asymmetry between right and left ear down, one an eye; empty where only one side was tested."""
    found = []
    for eye in EYES:
        pair = sides(responses, eye)
        if pair is not None:
            found.append(_asymmetry(*pair))
    return tuple(found)


def sides(responses: Sequence[Response], eye: Eye) -> tuple[Response, Response] | None:
    """The first responses of an eye with the right and with the left ear down."""
    found = {}
    for response in responses:
        if response.eye == eye and response.ear_down:
            found.setdefault(response.ear_down, response)
    return (found["right"], found["left"]) if len(found) == 2 else None


def _asymmetry(right: Response, left: Response) -> Finding:
    whole = replace(_finding(right, HORIZONTAL, ASYMMETRY, reason="-"), step="", accepted=None, rejected=None)
    for response in (right, left):
        if response.peak(HORIZONTAL) is None:
            return replace(whole, reason=f"{response.key}: {response.why_none(HORIZONTAL)}")
        if unseen := hidden_peak(response, HORIZONTAL):
            return replace(whole, reason=f"{response.key}: {unseen}")
    measured = horizontal_asymmetry(right, left)
    return _with_error(replace(whole, value=measured.value, reason=""), measured)


def horizontal_asymmetry(right: Response, left: Response, z: float = 1.96) -> Estimate:
    """Asymmetry of the two sides' horizontal peaks. Raises ValueError where one has none."""
    peaks = [r.peak(HORIZONTAL) for r in (right, left)]
    runs = [r.run(HORIZONTAL) for r in (right, left)]
    if peaks[0] is None or peaks[1] is None or runs[0] is None or runs[1] is None:
        raise ValueError("right and left must both have a horizontal peak")
    wanders = (right.wander_dps[HORIZONTAL], left.wander_dps[HORIZONTAL])
    began_s = (right.began.value, left.began.value)
    error = ratio_error((runs[0], runs[1]), right.settings, wanders, began_s)
    return asymmetry(peaks[0].value, peaks[1].value, error, z)


def fatigue_findings(responses: Sequence[Response]) -> tuple[Finding, ...]:
    """Each repeat of a position against its first time, one an eye, on the axis that was fastest first."""
    found, first = [], {}
    for response in responses:
        if response.step is None or not response.step.waits_for_nystagmus:
            continue
        before = first.setdefault((response.step.key, response.eye), response)
        if before is not response:
            found.append(_fatigue(before, response))
    return tuple(found)


def _fatigue(before: Response, again: Response) -> Finding:
    axis = before.main_axis
    if axis is None:
        return _finding(again, None, FATIGUE, reason=f"{before.key}: {before.why_none(HORIZONTAL)}")
    if again.reasons[axis]:
        return _finding(again, axis, FATIGUE, reason=again.reasons[axis])
    first, repeated = before.peak(axis), again.peak(axis)
    if first is None:
        return _finding(again, axis, FATIGUE, reason=f"{before.key}: {before.why_none(axis)}")
    if (repeated is None and again.main_axis is not None) or (repeated and first.value * repeated.value < 0):
        return _finding(again, axis, FATIGUE, reason="the repeat beats another way than the first time")
    if repeated is None:  # seen, and without nystagmus: it has fatigued altogether
        return _finding(again, axis, FATIGUE, value=0.0)
    for one in (before, again):
        if unseen := hidden_peak(one, axis):
            return _finding(again, axis, FATIGUE, reason=f"{one.key}: {unseen}")
    ratio = fatigue_ratio(first.value, repeated.value)
    shares = (repeated.standard_error / abs(repeated.value), first.standard_error / abs(first.value))
    error = ratio * math.hypot(*shares)
    estimate = Estimate(ratio, error, (max(ratio - 1.96 * error, 0.0), ratio + 1.96 * error))
    return _with_error(_finding(again, axis, FATIGUE, value=ratio), estimate)
