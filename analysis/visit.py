"""Several recordings of one patient and day: each measured, and what they say together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.analyse import RecordingResult, analyse_recording
from analysis.battery.caloric import CALORIC
from analysis.battery.caloric_summary import summarise
from analysis.procedure import Recorded, Result


class NotOneVisitError(ValueError):
    """Recordings of several patients or days."""


@dataclass(frozen=True, slots=True)
class VisitResult:
    """What the analysis made of a visit."""

    recordings: tuple[RecordingResult, ...]  # in order of time
    summaries: tuple[Result, ...]  # of tests that take several recordings


def analyse_visit(recordings: Sequence[Recorded]) -> VisitResult:
    """Measure each recording, in order of time, and then the caloric test from all its irrigations.

    Raises ValueError without a recording, NotOneVisitError for recordings of several patients or days.
    """
    if not recordings:
        raise ValueError("recordings must not be empty")
    for what, said in (("patient", _patient), ("day", _day)):
        found = sorted({said(recording) for recording in recordings})
        if len(found) > 1:
            raise NotOneVisitError(f"recordings must be of one {what}, got {' and '.join(found)}")
    in_order = sorted(recordings, key=_began)
    results = tuple(analyse_recording(r, r.info.birth_year) for r in in_order)
    return VisitResult(results, summaries_of(results))


def summaries_of(results: Sequence[RecordingResult]) -> tuple[Result, ...]:
    """What results in order of time say together: the caloric test, where there is an irrigation."""
    irrigated = {procedure.key for procedure in CALORIC}
    irrigations = [r for result in results for r in result.results if r.procedure in irrigated]
    age = next((result.age for result in results if result.age is not None), None)
    return (summarise(irrigations, age),) if irrigations else ()


def _patient(recording: Recorded) -> str:
    return recording.info.patient_code or "a patient without a code"


def _began(recording: Recorded) -> str:
    return recording.info.utc_of_zero or recording.info.made_utc


def _day(recording: Recorded) -> str:
    return _began(recording)[:10]
