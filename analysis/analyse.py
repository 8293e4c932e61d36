"""One recording from its samples to the result of the test that it holds."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass, replace
from typing import Any

import numpy as np

from analysis.battery import procedure_of
from analysis.beats import Beat, BeatSettings, find_beats
from analysis.calibration_in_intervals import errors_of, with_calibration
from analysis.finding import Finding
from analysis.limits import Age, age_at
from analysis.procedure import Observed, Recorded, Result
from analysis.trace import Trace, TraceSettings, make_trace
from capture.samples import EYES, Eye


@dataclass(frozen=True, slots=True)
class AnalysisSettings:
    """The one configuration for every recording; printed in the report."""

    trace: TraceSettings = field(default_factory=TraceSettings)
    beats: BeatSettings = field(default_factory=BeatSettings)


@dataclass(frozen=True, slots=True)
class RecordingResult:
    """What the analysis made of one recording."""

    recording_id: str
    traces: Mapping[Eye, Trace]
    beats: Mapping[Eye, tuple[Beat, ...]]
    results: tuple[Result, ...]
    age: Age | None
    settings: AnalysisSettings


def analyse_recording(recording: Recorded, birth_year: int | None = None) -> RecordingResult:
    """Trace and label each recorded eye once, then measure it as the procedure that was recorded.

    Without `birth_year` no limit that depends on age is applied.
    """
    settings = AnalysisSettings()
    eyes: list[Eye] = [eye for eye in EYES if eye in recording.samples]
    traces: dict[Eye, Trace] = {eye: make_trace(recording, eye, settings.trace) for eye in eyes}
    beats: dict[Eye, tuple[Beat, ...]] = {eye: find_beats(traces[eye], settings.beats) for eye in eyes}
    age = age_at(int(recording.info.made_utc[:4]), birth_year)
    observed = Observed(recording, traces, beats, age)
    result = procedure_of(recording).analyse(observed)
    held = with_calibration(result.findings, errors_of(recording.calibrations))
    result = replace(result, findings=held)
    return RecordingResult(recording.info.id, traces, beats, (result,), age, settings)


def plain(value: Any) -> Any:
    """Dataclasses, mappings and sequences as dicts and lists; numbers that are not finite as None."""
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.integer | np.bool_):
        return value.item()
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [plain(v) for v in value]
    return value


def findings(result: RecordingResult) -> tuple[Finding, ...]:
    """Every finding of every procedure."""
    return tuple(f for r in result.results for f in r.findings)
