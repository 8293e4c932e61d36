"""Whether a test is usable, in words, from what was measured in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from analysis.eye_window import VELOCITY
from analysis.finding import Finding
from analysis.procedure import Procedure, Result
from analysis.windows import step_of


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the technician needs to know before the next test."""

    usable: bool
    text: str  # "Usable.", "Repeat: ..."
    remarks: tuple[str, ...] = ()  # usable all the same


def judge_run(procedure: Procedure, result: Result, stopped_in: str, lost: Mapping[str, str]) -> Verdict:
    """Judge one try.

    Every step must have been done, and in each at least one eye measured; of a step that was done again the
    best try counts. An eye that was not measured, or was lost for a while, is a remark.
    """
    if stopped_in:
        return Verdict(False, f"Repeat: stopped in {stopped_in}. What was recorded is kept.")
    why: list[str] = []
    remarks = [f"{eye} eye: {trouble} for a while" for eye, trouble in lost.items()]
    for step in procedure.steps:
        windows = [w for w in result.windows if step_of(w, procedure.steps) == step]
        tries = [_not_measured(result, window.key) for window in windows]
        if not tries:
            why.append(f"{step.title} was not done")
            continue
        best = min(tries, key=lambda reasons: (all(reasons.values()), sum(map(bool, reasons.values()))))
        texts = [f"{eye} eye {reason}" for eye, reason in best.items() if reason]
        if best and all(best.values()):
            why.append(f"{step.title}: {'; '.join(texts)}")
        else:
            remarks += [f"{step.title}: {text}" for text in texts]
    if why:
        return Verdict(False, f"Repeat: {'. '.join(why)}.", tuple(remarks))
    return Verdict(True, "Usable.", tuple(remarks))


def _not_measured(result: Result, window: str) -> dict[str, str]:
    """By eye: why nothing is known of its nystagmus in this window, empty where it is."""
    found: dict[str, str] = {}
    for finding in result.findings:
        if finding.key == VELOCITY and finding.step == window and finding.eye is not None:
            reason = _unknown(finding)
            found[finding.eye] = found.get(finding.eye, reason) and reason
    return found


def _unknown(finding: Finding) -> str:
    return "" if finding.value is not None or finding.no_beats else finding.reason
