"""Fixation of a spot: square-wave jerks, bursts of saccades, and how steady the eye is between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace

from analysis.battery.pendular_findings import pendular_flags, pendular_texts
from analysis.battery.safety import ALWAYS_STOP
from analysis.battery.stepwise import Measured, StepSettings, measure_steps, settings_in_words, step_cautions
from analysis.battery.stimulus_findings import (
    Place,
    counted,
    of_estimate,
    of_repeats,
    parts_of,
    place_of,
    why_not,
)
from analysis.battery.stimulus_steps import FIXATION_STEPS
from analysis.eye_window import EyeWindow
from analysis.finding import Finding, Span
from analysis.procedure import Observed, Procedure, RedFlag, Result
from analysis.saccadic_oscillations import (
    Oscillation,
    OscillationSettings,
    macrosaccadic_oscillations,
)
from analysis.square_wave_jerks import (
    Burst,
    Jerk,
    JerkSettings,
    flutter_bursts,
    jerks_visible,
    rate_per_minute,
    square_wave_jerks,
    steadiness,
)
from capture.samples import Eye

RATE, SIZE, MACRO, STRADDLING, FLUTTER, OPSOCLONUS, STEADY = (
    "square_wave_jerk_rate",
    "square_wave_jerk_size",
    "macro_square_wave_jerks",
    "macrosaccadic_oscillations",
    "flutter_bursts",
    "opsoclonus_bursts",
    "fixation_spread",
)
WAYS = {FLUTTER: "horizontal only", OPSOCLONUS: "not only horizontal"}
LEAST_JERKS, LEAST_PIECES = 3, 5
RATE_FORMULA = "jerks / minute in which one could be seen"
STRADDLING_FITS = (
    "Saccades across the target that grow and shrink, macrosaccadic oscillations: the pattern fits the "
    "cerebellum (fastigial nucleus)."
)


@dataclass(frozen=True, slots=True)
class FixationSettings:
    """The one configuration for every recording."""

    steps: StepSettings = field(default_factory=StepSettings)
    jerks: JerkSettings = field(default_factory=JerkSettings)
    oscillations: OscillationSettings = field(default_factory=OscillationSettings)


def analyse(observed: Observed) -> Result:
    """Count what breaks fixation, each eye by itself. Never raises for a poor recording."""
    settings = FixationSettings()
    measured = measure_steps(observed, FIXATION_STEPS, settings.steps)
    found = [
        f
        for eye in measured.marking
        for window, part in parts_of(measured, FIXATION_STEPS[0], eye)
        for f in _findings(place_of(window, part, eye), part, settings)
    ]
    return Result(
        procedure=FIXATION.key,
        title=FIXATION.title,
        windows=measured.windows,
        findings=(*measured.findings, *found),
        conclusions=(*_words(found), *_pendular(measured)),
        fits=(STRADDLING_FITS,) if any(f.key == STRADDLING and f.value for f in found) else (),
        red_flags=(*_flags(found), *pendular_flags(measured.findings)),
        not_concluded=("A place from square-wave jerks: healthy people have them too.",),
        cautions=step_cautions(observed, measured, settings.steps),
        choices=("Square-wave jerks are called large from 5 deg on; 7 deg is in use as well.",),
        settings=settings_in_words(settings.steps)
        | {k: str(v) for k, v in (asdict(settings.jerks) | asdict(settings.oscillations)).items()},
    )


def _findings(place: Place, part: EyeWindow | None, every: FixationSettings) -> list[Finding]:
    why, settings = why_not(part), every.jerks
    rate = place.finding(RATE, "square-wave jerks", "1/min", why or "-", RATE_FORMULA)
    size = place.finding(SIZE, "size of square-wave jerks", "deg", why or "-", "median of the way out")
    macro = place.finding(
        MACRO, f"square-wave jerks above {settings.largest_deg:g} deg", "1/min", why or "-", RATE_FORMULA
    )
    straddling = place.finding(STRADDLING, "runs of saccades across the target", "times", why or "-")
    flutter, every_way = (
        place.finding(key, f"bursts of saccades without a pause, {ways}", "times", why or "-")
        for key, ways in WAYS.items()
    )
    spread = [
        replace(place, axis=axis).finding(
            STEADY, "standard deviation of position between saccades", "deg", why or "-",
            "median of the pieces between saccades; the noise of the picture is in it",
        )
        for axis in (0, 1)
    ]  # fmt: skip
    if why or part is None:
        return [rate, size, macro, straddling, flutter, every_way, *spread]
    trace, window = part.trace, part.window
    span = (window.used_from_s, window.end_s)
    runs = macrosaccadic_oscillations(trace, *span, every.oscillations)
    jerks = [j for j in square_wave_jerks(trace, *span, settings) if not _within(j, runs)]
    bursts = flutter_bursts(trace, *span, settings)
    return [
        *_counts(rate, size, macro, part, jerks, settings),
        counted(straddling, len(runs), [Span(trace.eye, r.start_s, r.end_s) for r in runs]),
        *_burst_counts(flutter, every_way, bursts, trace.eye),
        *(
            of_repeats(blank, pieces, len(pieces), LEAST_PIECES, "pieces between saccades")
            for axis, blank in enumerate(spread)
            for pieces in (steadiness(trace, *span, axis),)
        ),
    ]


def _burst_counts(
    flutter: Finding, every_way: Finding, bursts: Sequence[Burst] | str, eye: Eye
) -> list[Finding]:
    """Those that are horizontal and those that are not, or why none can be seen."""
    if isinstance(bursts, str):
        return [replace(f, reason=bursts) for f in (flutter, every_way)]
    across, others = (
        [Span(eye, b.start_s, b.end_s) for b in bursts if b.horizontal is way] for way in (True, False)
    )
    return [counted(flutter, len(across), across), counted(every_way, len(others), others)]


def _within(jerk: Jerk, runs: Sequence[Oscillation]) -> bool:
    """Whether a jerk is a part of saccades across the target, the ways there and back included."""
    return any(jerk.start_s < run.end_s and jerk.end_s > run.start_s for run in runs)


def _counts(
    rate: Finding,
    size: Finding,
    macro: Finding,
    part: EyeWindow,
    jerks: Sequence[Jerk],
    settings: JerkSettings,
) -> list[Finding]:
    """How often usual ones and how large, how often large ones; none that could not have been seen."""
    usual = [j for j in jerks if abs(j.size_deg) <= settings.largest_deg]
    large = [j for j in jerks if abs(j.size_deg) > settings.largest_deg]
    seconds, smallest_deg = jerks_visible(part.trace, part.window.used_from_s, part.window.end_s)
    if not seconds:
        why = "the eye was never seen long enough at a time"
        return [replace(f, reason=why) for f in (rate, size, macro)]
    hidden = f"noise hides jerks below {smallest_deg:.1f} deg"
    shown = smallest_deg <= settings.largest_deg
    macro = _often(macro, large, seconds) if shown else replace(macro, reason=hidden)
    if smallest_deg > settings.seen_from_deg:
        return [*(replace(f, reason=hidden) for f in (rate, size)), macro]
    sizes = [abs(j.size_deg) for j in usual]
    return [
        _often(rate, usual, seconds),
        of_repeats(size, sizes, len(usual), LEAST_JERKS, "square-wave jerks"),
        macro,
    ]


def _often(blank: Finding, jerks: Sequence[Jerk], seconds: float) -> Finding:
    """Jerks a minute of the time in which one could be seen."""
    found = of_estimate(blank, rate_per_minute(len(jerks), seconds))
    spans = tuple(Span(blank.eye, j.start_s, j.end_s) for j in jerks if blank.eye)
    return replace(found, accepted=len(jerks), rejected=0, spans=spans)


def _words(found: Sequence[Finding]) -> tuple[str, ...]:
    texts = []
    for f in found:
        head = f"{str(f.eye).capitalize()} eye"
        if f.key == RATE:
            text = f"not assessed ({f.reason})" if f.value is None else f"{f.value:.1f} a minute"
            texts.append(f"{head}: square-wave jerks {text}.")
        elif f.key == MACRO and f.value:
            texts.append(f"{head}: {f.name} {f.value:.1f} a minute.")
        elif f.key in (STRADDLING, FLUTTER, OPSOCLONUS) and f.value:
            texts.append(f"{head}: {f.name}: {f.value:.0f}.")
    return tuple(texts)


def _pendular(measured: Measured) -> list[str]:
    return [
        f"{eye.capitalize()} eye: {text}."
        for window in measured.windows
        for eye in measured.marking
        for text in pendular_texts(measured.findings, window.key, eye)
    ]


def _flags(found: Sequence[Finding]) -> tuple[RedFlag, ...]:
    fits = {
        FLUTTER: "flutter, and voluntary flutter (with convergence, seconds only)",
        OPSOCLONUS: "opsoclonus",
    }
    flags = []
    for key, what in fits.items():
        eyes = [str(f.eye) for f in found if f.key == key and f.value]
        if eyes:
            flags.append(
                RedFlag(
                    f"Bursts of saccades without a pause, {WAYS[key]} ({' and '.join(eyes)} eye): fit {what}."
                )
            )
    return tuple(flags)


FIXATION = Procedure(
    key="fixation_stability",
    title="Fixation and square-wave jerks",
    purpose="Shows movements that break fixation: square-wave jerks, oscillations, flutter, drifting.",
    preparation=("After calibration.",),
    contraindications=(),
    stop_signs=ALWAYS_STOP,
    steps=FIXATION_STEPS,
    analyse=analyse,
)
