"""What a positional test shows: nystagmus in each position."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.battery.spontaneous_words import Reading, what_is_found
from analysis.battery.stepwise import StepSettings, measure_steps, settings_in_words, step_cautions
from analysis.procedure import Observed, Result, Step


def analyse(
    observed: Observed, *, key: str, title: str, steps: Sequence[Step], settings: StepSettings | None = None
) -> Result:
    """Measure nystagmus in each position."""
    settings = settings or StepSettings()
    measured = measure_steps(observed, steps, settings)
    reading = Reading(measured.windows, measured.findings, measured.marking)
    return Result(
        procedure=key,
        title=title,
        windows=measured.windows,
        findings=measured.findings,
        conclusions=what_is_found(reading),
        cautions=step_cautions(observed, measured, settings),
        settings=settings_in_words(settings),
    )
