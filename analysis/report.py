"""The content of a report as data. How it is set on paper is the business of `ui.report`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analysis.analyse import plain as as_data
from analysis.marking import DIRECTION_NOT_PROVEN, RATE_NOT_PROVEN, UNCALIBRATED, mark
from analysis.procedure import RedFlag, Result
from analysis.report_curves import Curves, curves
from analysis.report_tables import (
    Table,
    eyes_table,
    fixation_sentence,
    fixation_table,
    quality_table,
    summary_table,
    texts,
    velocity_table,
)
from capture.samples import SIGN_RULE

if TYPE_CHECKING:
    from analysis.analyse import RecordingResult
    from recordings.sealed import Recording

STATEMENT = (
    "Driftbeat is not a certified medical device. Findings above are made by machine; they are not a "
    "diagnosis. The doctor who signs is responsible for the interpretation."
)
SIGN_UNKNOWN = (
    "up and down on the curves are those of the picture; what they are for the patient is not proven"
)
BANNERS = {
    "incomplete": "Recording incomplete: recovered after it was interrupted.",
    "training": "Training: a simulated patient, not a person.",
    UNCALIBRATED: "Uncalibrated: degrees come from an average eye, may differ from true ones by 10 to 30 %, "
    "and meet no limit.",
    DIRECTION_NOT_PROVEN: "Direction not proven: no direction is named and no limit applied.",
    RATE_NOT_PROVEN: "Frame rate not proven: times come from the nominal rate; velocities meet no limit.",
}


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


def report_content(
    recording: Recording, result: RecordingResult, procedure: Result | None = None, clinic: str = ""
) -> ReportContent:
    """The report on one procedure of a recording (by default its first)."""
    shown = procedure or result.results[0]
    info = recording.info
    return ReportContent(
        title=shown.title,
        clinic=clinic,
        patient_code=info.patient_code,
        recorded=f"{info.made_utc[:10]} {info.made_utc[11:16]} UTC",
        recording_id=info.id,
        sign_rule=SIGN_RULE if DIRECTION_NOT_PROVEN not in _marks(recording, result) else SIGN_UNKNOWN,
        software=info.software,
        banners=_banners(recording, result),
        red_flags=shown.red_flags,
        summary=summary_table(shown),
        conclusions=shown.conclusions,
        fixation=fixation_sentence(shown),
        fits=shown.fits,
        not_concluded=shown.not_concluded,
        cautions=texts(shown.cautions),
        curves=curves(result, shown),
        main_tables=(velocity_table(shown),),
        side_tables=(fixation_table(shown), quality_table(recording, result), eyes_table(shown)),
        choices=shown.choices,
        limits=_limits(shown, result),
        steps=tuple(f"{w.key} {w.start_s:.1f} to {w.end_s:.1f} s, {w.note}" for w in shown.windows),
        settings=_settings(result, shown),
    )


def _banners(recording: Recording, result: RecordingResult) -> tuple[str, ...]:
    marks = _marks(recording, result)
    holds = {
        "incomplete": not recording.complete,
        "training": recording.info.training,
        **{word: word in marks for word in (UNCALIBRATED, DIRECTION_NOT_PROVEN, RATE_NOT_PROVEN)},
    }
    return tuple(BANNERS[word] for word, is_so in holds.items() if is_so)


def _marks(recording: Recording, result: RecordingResult) -> set[str]:
    return {word for eye in result.traces for word in mark(recording, eye).marks}


def _limits(shown: Result, result: RecordingResult) -> tuple[str, ...]:
    """The limits that were applied, with source and who approved them; or why there are none."""
    rows = dict.fromkeys(f.limit for f in shown.findings if f.limit is not None)
    age = result.age
    if not rows:
        return ("No limit was applied" + (": age not known." if age is None else "."),)
    return tuple(
        f"{row.light}: up to {row.high:g} {row.unit}, {' and '.join(row.axes)}, ages {row.age_low_years} to "
        f"{row.age_high_years}, {row.set_up}. {row.citation}: {row.note} "
        f"Approved by: {row.approved_by or 'nobody in this clinic yet'}."
        for row in rows
    )


def _settings(result: RecordingResult, shown: Result) -> dict[str, str]:
    """Every setting of the one configuration, as printed."""
    return _leaves({**as_data(result.settings), "measures": dict(shown.settings or {})})


def _leaves(group: Mapping[str, Any]) -> dict[str, str]:
    found: dict[str, str] = {}
    for name, value in group.items():
        if isinstance(value, Mapping):
            found |= _leaves(value)
        else:
            found[name] = " ".join(f"{v:g}" if isinstance(v, float) else str(v) for v in _listed(value))
    return found


def _listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]
