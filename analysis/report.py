"""The content of a report as data. How it is set on paper is the business of `ui.report`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.banners import banners, sign_rule
from analysis.configuration import as_mapping, capture_settings, settings_text
from analysis.limits import LIMITS
from analysis.procedure import RedFlag, Result
from analysis.report_curves import Curves, curves
from analysis.report_measures import measures_table
from analysis.report_saccades import saccade_table
from analysis.report_side_tables import eyes_table, fixation_sentence, fixation_table, quality_table
from analysis.report_tables import Table, summary_table, velocity_table
from recordings.doubts import doubts

if TYPE_CHECKING:
    from analysis.analyse import RecordingResult
    from recordings.sealed import Recording

NO_CODE = "no patient code"
STATEMENT = (
    "Driftbeat is not a certified medical device. Findings are made by machine and are no diagnosis; "
    "the doctor who signs interprets them."
)


@dataclass(frozen=True, slots=True)
class ReportContent:
    """Everything that one report says, ready to be set; one procedure."""

    title: str
    clinic: str
    patient_code: str
    recorded: str  # date and time, UTC
    recording_id: str
    software: str
    sign_rule: str
    banners: tuple[str, ...]
    red_flags: tuple[RedFlag, ...]
    summary: Table
    conclusions: tuple[str, ...]
    fixation: str
    fits: tuple[str, ...]
    not_concluded: tuple[str, ...]
    cautions: tuple[str, ...]
    curves: Curves
    main_tables: tuple[Table, ...]
    side_tables: tuple[Table, ...]
    choices: tuple[str, ...]
    limits: tuple[str, ...]
    steps: tuple[str, ...]
    settings: Mapping[str, str]
    statement: str = STATEMENT


def report_content(recording: Recording, result: RecordingResult, clinic: str = "") -> ReportContent:
    """The report on the procedure of a recording."""
    shown = result.results[0]
    info = recording.info
    return ReportContent(
        title=shown.title,
        clinic=clinic,
        patient_code=info.patient_code or NO_CODE,
        recorded=f"{info.made_utc[:10]} {info.made_utc[11:16]} UTC",
        recording_id=info.id,
        sign_rule=sign_rule(recording),
        software=info.software,
        banners=banners(recording),
        red_flags=shown.red_flags,
        summary=summary_table(shown),
        conclusions=shown.conclusions,
        fixation=fixation_sentence(shown),
        fits=shown.fits,
        not_concluded=shown.not_concluded,
        cautions=tuple(dict.fromkeys((*doubts(recording), *shown.cautions))),
        curves=curves(result, shown),
        main_tables=(velocity_table(shown), *saccade_table(shown), *measures_table(shown)),
        side_tables=tuple(
            table
            for table in (fixation_table(shown), quality_table(recording, result), eyes_table(shown))
            if table.rows or table.note
        ),
        choices=shown.choices,
        limits=limit_texts(shown),
        steps=tuple(f"{w.key} {w.start_s:.1f} to {w.end_s:.1f} s: {w.note}" for w in shown.windows),
        settings=_settings(recording, result, shown),
    )


def limit_texts(shown: Result) -> tuple[str, ...]:
    """The limits of this procedure's measures with source and approver; first whether any was applied."""
    measures = {f.key for f in shown.findings}
    reasons = dict.fromkeys(f.verdict_reason for f in shown.findings if f.verdict_reason)
    applied = any(f.limit is not None for f in shown.findings)
    none = () if applied else (f"No limit was applied: {'; '.join(reasons) or 'nothing to apply it to'}.",)
    return none + tuple(
        f"{row.light}: up to {f'{row.high:g} {row.unit}'.strip()}, {' and '.join(row.axes) or 'no axis'}, "
        f"ages {row.age_low_years} to {row.age_high_years}, {row.set_up}. {row.citation}: {row.note} "
        f"Approved by: {row.approved_by or 'nobody in this clinic yet'}."
        for row in LIMITS
        if row.measure in measures
    )


def _settings(recording: Recording, result: RecordingResult, shown: Result) -> dict[str, str]:
    """Every setting of the one configuration, group by group."""
    return {
        **capture_settings(recording.info.software),
        "trace": settings_text(as_mapping(result.settings.trace)),
        "beats": settings_text(as_mapping(result.settings.beats)),
        "measures": settings_text(shown.settings or {}),
    }
