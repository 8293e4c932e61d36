"""What several recordings of a visit say together, ready to be printed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analysis.analyse import plain
from analysis.banners import banners
from analysis.procedure import Result
from analysis.report import NO_CODE, STATEMENT, limit_texts
from analysis.report_data import result_as_data
from analysis.report_measures import measures_table
from analysis.report_tables import Table
from analysis.visit import VisitResult

if TYPE_CHECKING:
    from recordings.sealed import Recording


@dataclass(frozen=True, slots=True)
class SummaryContent:
    """Everything that the summary of one test over several recordings says."""

    title: str
    clinic: str
    patient_code: str
    recorded: str  # the day
    software: str
    banners: tuple[str, ...]
    recordings: tuple[str, ...]
    conclusions: tuple[str, ...]
    fits: tuple[str, ...]
    not_concluded: tuple[str, ...]
    cautions: tuple[str, ...]
    tables: tuple[Table, ...]
    choices: tuple[str, ...]
    limits: tuple[str, ...]
    statement: str = STATEMENT


def summary_contents(recordings: Sequence[Recording], visit: VisitResult) -> tuple[SummaryContent, ...]:
    """One for each test of the visit that takes several recordings."""
    return tuple(_content(recordings, visit, summary) for summary in visit.summaries)


def _content(recordings: Sequence[Recording], visit: VisitResult, summary: Result) -> SummaryContent:
    first = recordings[0].info
    titles = {result.recording_id: result.results[0].title for result in visit.recordings}
    return SummaryContent(
        title=summary.title,
        clinic=first.site,
        patient_code=first.patient_code or NO_CODE,
        recorded=first.made_utc[:10],
        software=first.software,
        banners=_banners(recordings, titles),
        recordings=tuple(
            f"{r.info.made_utc[11:16]} UTC, {titles[r.info.id]}, {r.info.id}"
            for r in sorted(recordings, key=lambda r: r.info.made_utc)
        ),
        conclusions=summary.conclusions,
        fits=summary.fits,
        not_concluded=summary.not_concluded,
        cautions=summary.cautions,
        tables=measures_table(summary),
        choices=summary.choices,
        limits=limit_texts(summary),
    )


def _banners(recordings: Sequence[Recording], titles: dict[str, str]) -> tuple[str, ...]:
    """Each once; where it is not that of all recordings, with those that it is about."""
    about: dict[str, list[str]] = {}
    for recording in recordings:
        for text in banners(recording):
            about.setdefault(text, []).append(titles[recording.info.id])
    return tuple(
        text if len(names) == len(recordings) else f"{', '.join(names)}: {text}"
        for text, names in about.items()
    )


def visit_as_data(recordings: Sequence[Recording], visit: VisitResult) -> dict[str, Any]:
    """Each recording's results, then what they say together; a missing number is None, never NaN."""
    by_id = {recording.info.id: recording for recording in recordings}
    return {
        "recordings": [result_as_data(by_id[r.recording_id], r) for r in visit.recordings],
        "summaries": [plain(summary) for summary in visit.summaries],
    }
