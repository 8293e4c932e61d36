"""Periodic alternation: several minutes in the dark, to see whether a nystagmus turns round."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace

from analysis.alternation import AlternationSettings, alternation
from analysis.battery.safety import ALWAYS_STOP
from analysis.battery.spontaneous_words import Reading, what_is_found
from analysis.battery.stepwise import StepSettings, measure_steps, settings_in_words, step_cautions
from analysis.battery.stimulus_findings import Place, counted, of_estimate, parts_of, place_of, why_not
from analysis.eye_window import EyeWindow
from analysis.finding import Finding
from analysis.procedure import Observed, Procedure, Result, Step

PERIOD, REVERSALS, REVERSAL = "alternation_period", "reversals", "reversal"
STEP = Step(
    key="dark for minutes",
    title="Dark, several minutes",
    instruction="Keep your eyes wide open, look straight ahead and count backwards in sevens.",
    light="dark",
    posture="upright, head straight",
    stimulus="none: goggles covered, no visible light",
    targets=(),
    shortest_s=240.0,
    longest_s=300.0,
    measured="reversals of the nystagmus and the period between them",
    action="Cover the goggles. Keep the patient talking: sleepiness hides a nystagmus.",
    confirm="Nothing is seen.",
)


@dataclass(frozen=True, slots=True)
class PeriodicSettings:
    """The one configuration for every recording."""

    steps: StepSettings = field(default_factory=StepSettings)
    alternation: AlternationSettings = field(default_factory=AlternationSettings)


def analyse(observed: Observed) -> Result:
    """Look for reversals of the horizontal nystagmus of each eye. Never raises for a poor recording."""
    settings = PeriodicSettings()
    measured = measure_steps(observed, (STEP,), settings.steps)
    found = [
        f
        for eye in measured.marking
        for window, part in parts_of(measured, STEP, eye)
        for f in _findings(place_of(window, part, eye, 0), part, settings.alternation)
    ]
    return Result(
        procedure=PERIODIC_ALTERNATION.key,
        title=PERIODIC_ALTERNATION.title,
        windows=measured.windows,
        findings=(*measured.findings, *found),
        conclusions=(
            *what_is_found(Reading(measured.windows, measured.findings, measured.marking)),
            *_words(found),
        ),
        fits=_fits(found),
        not_concluded=("No alternation from a recording that is shorter than two of its half periods.",),
        cautions=step_cautions(observed, measured, settings.steps),
        choices=("How long to record for it: no consensus; 4 to 5 minutes here.",),
        settings=settings_in_words(settings.steps) | asdict(settings.alternation),
    )


def _findings(place: Place, part: EyeWindow | None, settings: AlternationSettings) -> list[Finding]:
    why = why_not(part, degrees=False)
    number = place.finding(REVERSALS, "reversals of the nystagmus", "times", why or "-")
    period = place.finding(
        PERIOD, "period of the alternation", "s", why or "-", "time between reversals, there and back"
    )
    if why or part is None:
        return [number, period]
    window = part.window
    found = alternation(part.accepted, 0, window.used_from_s, window.end_s, settings)
    if isinstance(found, str):
        return [replace(f, reason=found) for f in (number, period)]
    counts = {"accepted": len(part.accepted), "rejected": len(part.rejected)}
    times = [
        of_estimate(
            place.finding(f"{REVERSAL}_{k + 1}", f"reversal {k + 1}", "s", "-", "velocity passes 0"), at
        )
        for k, at in enumerate(found.reversals_s)
    ]
    whole = of_estimate(period, found.period_s)
    return [replace(counted(number, len(times)), **counts), replace(whole, **counts), *times]


def _words(found: Sequence[Finding]) -> tuple[str, ...]:
    texts = []
    for f in found:
        head = f"{str(f.eye).capitalize()} eye"
        if f.key == PERIOD:
            text = f"not assessed ({f.reason})" if f.value is None else f"{f.value:.0f} s"
            texts.append(f"{head}: period of the alternation {text}.")
        elif f.key == REVERSALS and f.value is not None:
            texts.append(f"{head}: the nystagmus turned round {f.value:.0f} times.")
    return tuple(texts)


def _fits(found: Sequence[Finding]) -> tuple[str, ...]:
    if not any(f.key == PERIOD and f.value is not None and not f.marks for f in found):
        return ()
    return ("Nystagmus that turns round again and again: fits periodic alternating nystagmus (cerebellum).",)


PERIODIC_ALTERNATION = Procedure(
    key="periodic_alternation",
    title="Periodic alternation",
    purpose="Shows whether a horizontal nystagmus turns round about every 2 minutes.",
    preparation=(
        "When a horizontal nystagmus seems to change its direction, or vertigo comes in spells.",
        "No light inside the goggles: a visible glow is fixated.",
    ),
    contraindications=(),
    stop_signs=ALWAYS_STOP,
    steps=(STEP,),
    analyse=analyse,
)
