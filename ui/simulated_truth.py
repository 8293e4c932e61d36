"""What was simulated beside what was measured, step by step and eye by eye."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from statistics import median

from analysis.analyse import RecordingResult, findings
from analysis.finding import Finding
from analysis.nystagmus import direction
from analysis.procedure import Window
from capture.samples import AXES, EYES, Eye
from capture.simulation.movement import TrueBeat
from capture.simulation.truth import Truth

Row = tuple[str, str, str, str, str]
Found = Mapping[tuple[str, str, str | None, str | None], Finding]  # by key, step, eye, axis
HEAD: Row = ("step", "eye", "measure", "simulated", "measured")


def comparison_text(truth: Truth, result: RecordingResult, zero_s: float) -> str:
    """A table of slow-phase velocity, beats a second, direction and fixation index.

    Simulated values are those of the true beats in the same seconds that were measured, without those that a
    blink hides. `zero_s`: host time of the recording's zero.
    """
    rows = [HEAD, *comparison(truth, result, zero_s)]
    widths = [max(len(row[place]) for row in rows) for place in range(len(HEAD))]
    return "\n".join(
        "  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip() for row in rows
    )


def comparison(truth: Truth, result: RecordingResult, zero_s: float) -> Iterator[Row]:
    """Rows of the table under its head."""
    found: Found = {(f.key, f.step, f.eye, f.axis): f for f in findings(result)}
    windows = result.results[0].windows
    true = {window.key: true_beats(truth, window, zero_s) for window in windows}
    for window in windows:
        for eye in EYES:
            yield from _step(window.key, eye, true[window.key], found)
    yield from _fixation(true, found)


def true_beats(truth: Truth, window: Window, zero_s: float) -> list[TrueBeat]:
    """The true beats that lie wholly in the measured part of a step and that no blink hides."""
    first_s, last_s = window.used_from_s + zero_s, window.end_s + zero_s
    inside = (beat for beat in truth.beats if beat.slow_start_s >= first_s and beat.quick_end_s <= last_s)
    return [beat for beat in inside if not beat.in_blink]


def true_velocity_dps(beats: Sequence[TrueBeat], axis: int) -> float:
    """Median slow-phase velocity of the true beats on one axis (0, 1, 2)."""
    return median(beat.slow_phase_velocity_dps[axis] for beat in beats)


def true_beats_per_s(beats: Sequence[TrueBeat]) -> float:
    """True beats over the time from the first slow phase to the last quick phase."""
    return len(beats) / (beats[-1].quick_end_s - beats[0].slow_start_s)


def _step(step: str, eye: Eye, beats: Sequence[TrueBeat], found: Found) -> Iterator[Row]:
    for place, axis in enumerate(AXES):
        measured, simulated = found["slow_phase_velocity", step, eye, axis], true_velocity_dps(beats, place)
        yield step, eye, f"{axis} slow-phase velocity", f"{simulated:+.2f} deg/s", _velocity(measured)
    word = direction("horizontal", true_velocity_dps(beats, 0))
    measured = found["slow_phase_velocity", step, eye, "horizontal"]
    yield step, eye, "horizontal beats to the", word, measured.direction or "not proven"
    measured = found["nystagmus_frequency", step, eye, None]
    yield step, eye, "beats a second", f"{true_beats_per_s(beats):.2f}", _number(measured)


def _fixation(true: Mapping[str, Sequence[TrueBeat]], found: Found) -> Iterator[Row]:
    dark, lit = (true_velocity_dps(true[step], 0) for step in ("dark", "fixation"))
    for eye in EYES:
        measured = found["fixation_index", "", eye, "horizontal"]
        yield "both", eye, "fixation index, horizontal", f"{abs(lit) / abs(dark):.3f}", _number(measured, 3)


def _velocity(finding: Finding) -> str:
    if finding.value is None:
        return f"not assessed: {finding.reason}"
    error = finding.standard_error or 0.0
    return f"{finding.value:+.2f} ± {error:.2f} deg/s, {finding.accepted} beats"


def _number(finding: Finding, digits: int = 2) -> str:
    return f"not assessed: {finding.reason}" if finding.value is None else f"{finding.value:.{digits}f}"
