"""The smaller tables of a report: fixation, the two eyes compared, quality."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING

import numpy as np

from analysis.finding import Finding
from analysis.fixation import LEAST_VELOCITY_DPS, suppression_percent
from analysis.marking import mark, marked, rounded
from analysis.procedure import Result
from analysis.report_tables import Cell, Table, marks_note, number_cell, plain
from capture.samples import AXES, Eye

if TYPE_CHECKING:
    from analysis.analyse import RecordingResult
    from recordings.sealed import Recording


def fixation_table(result: Result) -> Table:
    """Index and reduction for each eye and axis; what has no value stands with its reason."""
    index = [f for f in result.findings if f.key == "fixation_index"]
    reduction = {(f.eye, f.axis): f for f in result.findings if f.key == "fixation_reduction"}
    rows = []
    for ratio in index:
        less = reduction[ratio.eye, ratio.axis]
        rows.append(
            (*plain(str(ratio.eye), str(ratio.axis)), _with_error(ratio, 2), _with_error(less, 1),
             Cell(ratio.reason, "missing" if ratio.reason else "plain"))
        )  # fmt: skip
    note = (
        f"Index = {index[0].formula}. Reduction = {next(iter(reduction.values())).formula}, deg/s. "
        f"Suppression = 100 % x (1 - index). No index below {LEAST_VELOCITY_DPS:g} deg/s in the dark: a "
        f"ratio of noise. {marks_note(tuple(reduction.values()))}"
        if index
        else ""
    )
    return Table(
        "Effect of fixation", ("eye", "axis", "index ± SE", "reduction ± SE", "remark"), tuple(rows),
        frozenset({2, 3}), note,
    )  # fmt: skip


def fixation_sentence(result: Result) -> str:
    """The effect of fixation on one line: the axes that have an index, else why there is none.

    "" where the procedure asks nothing of fixation.
    """
    index = [f for f in result.findings if f.key == "fixation_index"]
    if not index:
        return ""
    reduction = {(f.eye, f.axis): f for f in result.findings if f.key == "fixation_reduction"}
    parts = [
        f"{f.eye} eye {f.axis}: index {_with_error(f, 2).text} (suppression "
        f"{suppression_percent(f.value):.0f} %), "
        f"reduction {_with_error(reduction[f.eye, f.axis], 1, ' deg/s').text}"
        for f in index
        if f.value is not None
    ]
    if parts:
        return "; ".join(parts) + "."
    reasons = dict.fromkeys(f.reason for f in index if f.axis == "horizontal")
    return f"not assessed: {'; '.join(reasons)}."


def _with_error(finding: Finding, digits: int, unit: str = "") -> Cell:
    if finding.value is None:
        return Cell("not assessed", "missing")
    text = f"{rounded(finding.value, digits)} ± {small(finding.standard_error or 0.0, digits)}{unit}"
    return number_cell(finding, text, short=not unit)


def small(value: float, digits: int) -> str:
    """A size that is never rounded to nothing.

    >>> small(0.004, 1)
    '<0.1'
    """
    text = f"{value:.{digits}f}"
    return text if float(text) else f"<{10.0**-digits:.{digits}f}"


def eyes_table(result: Result) -> Table:
    """Right minus left eye, one row a step, one column an axis."""
    found = [f for f in result.findings if f.key == "eye_difference"]
    steps = tuple(dict.fromkeys(f.step for f in found if f.step))
    rows = [(Cell(step), *(_with_error(f, 1) for f in found if f.step == step)) for step in steps]
    reasons = dict.fromkeys(f.reason for f in found if f.reason)
    missing = f"Not assessed: {'; '.join(reasons)}." if reasons else ""
    said = ("deg/s ± standard error." if rows else "", missing, marks_note(found))
    note = " ".join(text for text in said if text)
    return Table("Right eye minus left eye", ("step", *AXES), tuple(rows), frozenset({1, 2, 3}), note)


def quality_table(recording: Recording, result: RecordingResult) -> Table:
    """One column an eye: calibration, rate, frames, how much was seen."""
    columns = {eye: _quality(recording, result, eye) for eye in result.traces}
    names = next(iter(columns.values()), {})
    rows = tuple(plain(name, *(columns[eye][name] for eye in columns)) for name in names)
    return Table("Quality", ("", *(f"{eye} eye" for eye in columns)), rows)


def _quality(recording: Recording, result: RecordingResult, eye: Eye) -> Mapping[str, str]:
    stream, trace = recording.info.eyes[eye], result.traces[eye]
    calibration, marking = recording.calibrations[eye], mark(recording, eye)
    blinks = len(trace.blinks_s)
    seen = np.count_nonzero(trace.valid) / max(len(trace.valid), 1)
    torsion = np.count_nonzero(trace.torsion_valid) / max(np.count_nonzero(trace.valid), 1)
    return {
        "calibration": f"{calibration.grade}, direction {calibration.direction}",
        "residual mean / worst": " / ".join(
            _deg(value, marking.marks)
            for value in (calibration.mean_residual_deg, calibration.worst_residual_deg)
        ),
        "frame rate": _rate(trace.rate_hz, stream.times, marking.marks),
        "frames / lost / repeated": f"{stream.frames} / {stream.lost} / {stream.repeated}",
        "eye seen": f"{seen:.0%} of frames, {blinks} blink{'s' * (blinks != 1)}",
        "torsion, of frames seen": "withheld" if marking.torsion_withheld else f"readable in {torsion:.0%}",
    }


def _rate(rate_hz: float, times: str, marks: Collection[str]) -> str:
    if not np.isfinite(rate_hz):
        return "not known"
    return f"{marked(f'{rate_hz:.2f} /s', '1/s', marks)}, {times}"


def _deg(value: float | None, marks: Collection[str]) -> str:
    if value is None or not np.isfinite(value):
        return "—"
    return marked(f"{value:.2f} deg", "deg", marks)
