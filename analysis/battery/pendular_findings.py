"""Pendular oscillations among the findings of a procedure: only where there is one. Most eyes have none."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from analysis.estimate import Estimate
from analysis.eye_window import EyeWindow, why_unusable
from analysis.finding import Finding, Span
from analysis.marking import marked
from analysis.nystagmus import valid_seconds
from analysis.pendular import Pendular, PendularSettings, pendular, phase_between
from analysis.procedure import RedFlag, Window
from capture.samples import AXES, EYES, Eye

SIZE, FREQUENCY, PHASE = "pendular_size", "pendular_frequency", "pendular_phase"
FILLED = 0.5  # of the time: an eye that beats so much is no pendulum (design choice)
SINE = "sines of 2 s that hold most of the movement, median"


def pendular_findings(
    windows: Sequence[Window], parts: Mapping[tuple[str, Eye], EyeWindow]
) -> tuple[Finding, ...]:
    """Size and frequency of every oscillation, and its phase between the eyes."""
    found: list[Finding] = []
    for window in windows:
        mine = {eye: part for (key, eye), part in parts.items() if key == window.key}
        able = {eye: part for eye, part in mine.items() if not why_unusable(part) and not _beats(part)}
        for axis in range(3):
            seen = {eye: one for eye, part in able.items() if (one := _of(part, axis))}
            for eye, one in seen.items():
                found += _of_eye(able[eye], axis, one)
            if len(seen) == len(EYES):
                found.append(_phase(window, axis, phase_between(*(seen[eye] for eye in EYES))))
    return tuple(found)


def _beats(part: EyeWindow) -> bool:
    seen_s = valid_seconds(part.trace, part.window.used_from_s, part.window.end_s)
    return sum(b.quick_end_s - b.slow_start_s for b in part.accepted) > FILLED * seen_s


def _of(part: EyeWindow, axis: int) -> Pendular | None:
    if axis == AXES.index("torsional") and part.marking.torsion_withheld:
        return None
    return pendular(part.trace, part.window.used_from_s, part.window.end_s, axis)


def _of_eye(part: EyeWindow, axis: int, one: Pendular) -> list[Finding]:
    lasts_s = PendularSettings().piece_s
    rows: tuple[tuple[str, str, str, Estimate], ...] = (
        (SIZE, "pendular oscillation, peak to peak", "deg", one.size_deg),
        (FREQUENCY, "frequency of the pendular oscillation", "1/s", one.frequency_hz),
    )
    return [
        Finding(
            key=key,
            name=name,
            unit=unit,
            value=measured.value,
            step=part.window.key,
            eye=part.trace.eye,
            axis=AXES[axis],
            standard_error=measured.standard_error,
            interval=measured.interval,
            marks=part.marking.marks,
            formula=SINE,
            spans=tuple(Span(part.trace.eye, at, at + lasts_s) for at in one.start_s.tolist()),
        )
        for key, name, unit, measured in rows
    ]


def _phase(window: Window, axis: int, lead: Estimate | None) -> Finding:
    return Finding(
        key=PHASE,
        name="phase of the right eye's oscillation against the left's",
        unit="phase deg",
        value=lead.value if lead else None,
        reason="" if lead else "the eyes swing at different frequencies",
        step=window.key,
        axis=AXES[axis],
        standard_error=lead.standard_error if lead else None,
        interval=lead.interval if lead else None,
        formula="0: together, 180: against each other",
    )


def pendular_texts(findings: Sequence[Finding], step: str, eye: str | None) -> list[str]:
    """Such as "pendular horizontal oscillation, 4.0 deg at 5.0 a second"; empty without one."""
    often = {f.axis: f for f in findings if (f.key, f.step, f.eye) == (FREQUENCY, step, eye)}
    return [
        f"pendular {f.axis} oscillation, {marked(f'{f.value:.1f} deg', f.unit, f.marks)} at "
        f"{often[f.axis].value:.1f} a second"
        for f in findings
        if (f.key, f.step, f.eye) == (SIZE, step, eye)
    ]


def pendular_flags(findings: Sequence[Finding]) -> list[RedFlag]:
    """One for all steps and eyes: whether it is new the recording does not tell."""
    where = dict.fromkeys(f"{f.step}, {f.eye} eye" for f in findings if f.key == SIZE)
    if not where:
        return []
    return [RedFlag(f"Pendular oscillation ({'; '.join(where)}). A red flag if it is new.")]
