"""The caloric test, one irrigation at a time: warm and cool water or air, and ice water."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from functools import partial
from typing import Literal

from analysis.battery.caloric_findings import (
    BEFORE,
    CULMINATION,
    REVERSAL,
    UNSEEN,
    WHEN,
    Irrigated,
    beating,
    before_finding,
    irrigation_findings,
)
from analysis.battery.caloric_fixation import fixation_findings
from analysis.battery.caloric_steps import (
    CONTRAINDICATIONS,
    PREPARATION,
    PRONE,
    QUESTIONS,
    STOP,
    irrigation_key,
    irrigation_steps,
)
from analysis.battery.spontaneous_words import speed
from analysis.battery.stepwise import (
    Measured,
    StepSettings,
    measure_steps,
    settings_in_words,
    step_cautions,
)
from analysis.caloric import Temperature, expected_direction
from analysis.caloric_response import CaloricSettings
from analysis.estimate import Z_95, error_of
from analysis.eye_window import VELOCITY
from analysis.finding import Finding
from analysis.marking import marked
from analysis.nystagmus import BEAT_NAMES
from analysis.procedure import Observed, Procedure, Result, Step, Window
from analysis.trace import Trace
from capture.samples import AXES, EYES, Eye

EARLY_REVERSAL_S = 140.0  # after the start of the irrigation (clinical reference 17.6, from memory)
MOST_UNSEEN_PERCENT = 30.0  # common practice, no source (clinical reference 17.3)
NOT_CHECKED = (
    "Ear and temperature: a direction that fits does not prove them (both entered wrongly keep every sign); "
    "that needs the outlet's temperature and the ear confirmed twice."
)


@dataclass(frozen=True, slots=True)
class IrrigationSettings:
    """The one configuration for every recording."""

    steps: StepSettings = field(default_factory=StepSettings)
    caloric: CaloricSettings = field(default_factory=CaloricSettings)


def analyse(
    observed: Observed,
    *,
    key: str,
    title: str,
    ear: Eye,
    temperature: Literal["warm", "cool", "ice"],
    steps: Sequence[Step],
) -> Result:
    """Measure one irrigation. Never raises for a poor recording."""
    settings = IrrigationSettings()
    measured = measure_steps(observed, steps, settings.steps)
    found: list[Finding] = list(measured.findings)
    started = next(
        (w for w in measured.windows if w.key == irrigation_key(ear, temperature) and not w.outside), None
    )
    for eye in measured.marking:
        found += _of_eye(observed, measured, eye, started, settings.caloric)
    return Result(
        procedure=key,
        title=title,
        windows=measured.windows,
        findings=tuple(found),
        conclusions=tuple(_sentence(found, eye, title) for eye in measured.marking),
        fits=(
            *_direction_texts(found, ear, temperature),
            *_prone_texts(found, temperature),
            *_reversal_texts(found),
        ),
        not_concluded=(
            "A weakness of one side: one irrigation alone shows none.",
            NOT_CHECKED,
        ),
        cautions=(*step_cautions(observed, measured, settings.steps), *_unseen_texts(found)),
        settings={**settings_in_words(settings.steps), **asdict(settings.caloric)},
    )


def _of_eye(
    observed: Observed, measured: Measured, eye: Eye, started: Window | None, settings: CaloricSettings
) -> list[Finding]:
    """Findings of one eye; `started` is the irrigation, None where it is not marked."""
    marking, trace = measured.marking[eye], observed.traces[eye]
    blocked = marking.blocked or ("" if started else "when the irrigation started is not marked")
    irrigated = Irrigated(
        eye,
        trace,
        observed.beats[eye],
        marking,
        started.start_s if started else 0.0,
        _last_s(measured.windows, trace),
        tuple((w.start_s, w.end_s) for w in measured.windows if w.light == "fixation"),
        settings,
    )
    before = before_finding(irrigated, measured)
    findings = irrigation_findings(irrigated, blocked, before)
    return [*findings, before, *fixation_findings(irrigated, measured.windows)]


def _last_s(windows: Sequence[Window], trace: Trace) -> float:
    """End of what is measured on the back."""
    last = float(trace.time_s[-1]) if len(trace.time_s) else 0.0
    turned_s = min((w.start_s for w in windows if w.key == PRONE), default=last)
    return min(max((w.end_s for w in windows), default=last), last, turned_s)


def _sentence(found: Sequence[Finding], eye: Eye, title: str) -> str:
    peak = next(f for f in found if (f.key, f.eye, f.axis) == (CULMINATION, eye, "horizontal"))
    when = next(f for f in found if (f.key, f.eye) == (WHEN, eye))
    if peak.value is None:
        return f"{title}, {eye} eye: not assessed ({peak.reason})."
    name = BEAT_NAMES.get(peak.direction, "slow drift" if not peak.present else "horizontal nystagmus")
    at = "" if when.value is None else f" {when.value:.0f} s after the start"
    return f"{title}, {eye} eye: {name} {marked(f'{speed(peak.value)} deg/s', peak.unit, peak.marks)}{at}."


def _direction_texts(found: Sequence[Finding], ear: Eye, temperature: str) -> list[str]:
    """Whether the direction is that of the irrigation; a strong vertical part."""
    texts: dict[str, None] = {}
    peaks = {(f.eye, f.axis): f for f in found if f.key == CULMINATION}
    for eye in EYES:
        across, up = peaks.get((eye, "horizontal")), peaks.get((eye, "vertical"))
        if across is None or across.value is None or not across.direction:
            continue
        kind: Temperature = "warm" if temperature == "warm" else "cool"
        expected = expected_direction((ear, kind))
        if across.present and across.direction != expected:
            texts[f"Beats to the {across.direction}; {ear} {temperature} should beat to the {expected}. Fits "
                  "another ear or temperature than marked, a reversed response to air in a wet ear, and "
                  "strong spontaneous nystagmus. Noted, not rejected."] = None  # fmt: skip
        if up is not None and up.value is not None and abs(up.value) > max(abs(beating(across)), 1.0):
            texts["The vertical part is faster than the horizontal one (perverted response): fits a central "
                  "cause; look at torsion, lids and cross-talk first."] = None  # fmt: skip
    return list(texts)


def _unseen_texts(found: Sequence[Finding]) -> list[str]:
    """That an irrigation is to be repeated whose culmination was not seen."""
    return [
        f"{str(f.eye).capitalize()} eye: not seen in {f.value:.0f} % of the 30 s of the culmination, more "
        f"than {MOST_UNSEEN_PERCENT:g} % (common practice, no source): repeat this irrigation."
        for f in found
        if f.key == UNSEEN and (f.value or 0.0) > MOST_UNSEEN_PERCENT
    ]


def _prone_texts(found: Sequence[Finding], temperature: str) -> tuple[str, ...]:
    """Whether the nystagmus after ice water turned round face down, about that which was there before."""
    texts: dict[str, None] = {}
    for peak in (f for f in found if f.key == CULMINATION and f.axis == AXES[0] and f.present):
        prone = next(
            (f for f in found if (f.key, f.step, f.eye, f.axis) == (VELOCITY, PRONE, peak.eye, AXES[0])), None
        )
        if (prone is None and temperature != "ice") or not peak.direction:
            continue
        if prone is None:
            said = "not recorded: a response to ice water is not told from another nystagmus"
        elif prone.present and not prone.direction:
            continue
        elif not prone.present:
            said = "no nystagmus: neither a response to ice water nor another nystagmus is shown by it"
        elif prone.direction != peak.direction:
            said = "turns round, as a response to ice water does"
        elif _turned_about(_before(found, peak), peak, prone):
            said = "turns round about the nystagmus that was there before, as a response to ice water does"
        else:
            said = "keeps its direction: fits a spontaneous nystagmus, not a response to ice water"
        texts[f"Face down: {said} (Greisen 1972, from memory)."] = None
    return tuple(texts)


def _before(found: Sequence[Finding], peak: Finding) -> Finding | None:
    return next((f for f in found if (f.key, f.eye) == (BEFORE, peak.eye)), None)


def _turned_about(before: Finding | None, peak: Finding, prone: Finding) -> bool:
    """Whether both differ from the nystagmus before, one to each side, beyond their errors together."""
    if before is None or before.value is None or peak.value is None or prone.value is None:
        return False
    away = [f.value - before.value for f in (peak, prone) if f.value is not None]
    errors = [Z_95 * math.hypot(error_of(f.interval), error_of(before.interval)) for f in (peak, prone)]
    return away[0] * away[1] < 0 and all(abs(a) > e for a, e in zip(away, errors, strict=True))


def _reversal_texts(found: Sequence[Finding]) -> tuple[str, ...]:
    early = [f for f in found if f.key == REVERSAL and f.value is not None and f.value < EARLY_REVERSAL_S]
    return tuple(
        f"{str(f.eye).capitalize()} eye: turns round {f.value:.0f} s after the start, before "
        f"{EARLY_REVERSAL_S:g} s (from memory): fits a central cause."
        for f in early
    )


def _irrigation(ear: Eye, temperature: Literal["warm", "cool", "ice"]) -> Procedure:
    name = "ice water" if temperature == "ice" else temperature
    key, title = f"caloric_{ear}_{temperature}", f"Caloric, {ear} ear {name}"
    steps = irrigation_steps(ear, temperature)
    purpose = f"Shows whether the {ear} horizontal canal or its nerve answers a slow stimulus, by itself."
    also = " Only where both other irrigations of the ear gave next to nothing." * (temperature == "ice")
    return Procedure(
        key=key,
        title=title,
        purpose=purpose + also,
        preparation=PREPARATION,
        contraindications=CONTRAINDICATIONS,
        stop_signs=STOP,
        steps=steps,
        analyse=partial(analyse, key=key, title=title, ear=ear, temperature=temperature, steps=steps),
        questions=QUESTIONS,
    )


CALORIC: tuple[Procedure, ...] = (
    _irrigation("right", "warm"),
    _irrigation("left", "warm"),
    _irrigation("right", "cool"),
    _irrigation("left", "cool"),
    _irrigation("right", "ice"),
    _irrigation("left", "ice"),
)
