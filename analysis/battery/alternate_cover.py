"""Alternate cover for skew: the vertical movement with which each eye takes up fixation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace

import numpy as np

from analysis.battery.safety import ALWAYS_STOP
from analysis.battery.stepwise import StepSettings, measure_steps, settings_in_words, step_cautions
from analysis.battery.stimulus_findings import Place, of_repeats, parts_of, place_of, why_not
from analysis.battery.stimulus_steps import COVER_STEPS, COVERED_S
from analysis.cover import CoverSettings, deviations, refixations, uncoverings
from analysis.eye_window import EyeWindow
from analysis.finding import Finding
from analysis.live_flags import SETTINGS as LIVE
from analysis.procedure import Observed, Procedure, RedFlag, Result, Window
from capture.samples import EYES

REFIXATION, SKEW = "refixation", "vertical_deviation"
LEAST = 5  # changes of the cover to each eye (design choice)
FORMULA = "position once the eye uncovered fixates - before the change of the cover, median"


@dataclass(frozen=True, slots=True)
class CoverTestSettings:
    """The one configuration for every recording."""

    steps: StepSettings = field(default_factory=StepSettings)
    cover: CoverSettings = field(default_factory=CoverSettings)


def analyse(observed: Observed) -> Result:
    """Measure what each change of the cover does. Never raises for a poor recording."""
    settings = CoverTestSettings()
    measured = measure_steps(observed, COVER_STEPS, settings.steps)
    found = [
        f
        for eye in measured.marking
        for window, part in parts_of(measured, COVER_STEPS[0], eye)
        for axis in (0, 1)
        for f in _of_eye(place_of(window, part, eye, axis), window, part, settings.cover)
    ]
    if len(measured.marking) < 2:
        blank = Place(COVER_STEPS[0].key, None, 1).finding(SKEW, SKEW_NAME, "deg", "one eye recorded")
        found.append(blank)
    return Result(
        procedure=ALTERNATE_COVER.key,
        title=ALTERNATE_COVER.title,
        windows=measured.windows,
        findings=tuple(found),
        conclusions=_words(found),
        red_flags=_flags(found),
        not_concluded=NOT_CONCLUDED,
        cautions=step_cautions(observed, measured, settings.steps),
        choices=("When the cover changes is taken from the stimulus: every 2 s, right eye covered first.",),
        settings=settings_in_words(settings.steps) | asdict(settings.cover),
    )


SKEW_NAME = "vertical deviation, right eye less left eye"


def _of_eye(place: Place, window: Window, part: EyeWindow | None, settings: CoverSettings) -> list[Finding]:
    """Movement when the right and when the left eye is uncovered; of the vertical also what both tell."""
    why = why_not(part)
    blanks = [
        place.finding(
            f"{REFIXATION}_{eye}", f"movement when the {eye} eye is uncovered", "deg", why or "-", FORMULA
        )
        for eye in EYES
    ]
    skew = place.finding(
        SKEW, SKEW_NAME, "deg", why or "-", "median of the vertical refixations, positive: right eye higher"
    )
    if why or part is None:
        return [*blanks, skew] if place.axis == 1 else blanks
    changes = uncoverings(window.start_s, window.end_s, COVERED_S)
    moved = refixations(part.trace, changes, place.axis or 0, settings)
    seen = np.isfinite(moved)
    found = []
    for eye, blank in zip(EYES, blanks, strict=True):
        mine = np.array([c.eye == eye for c in changes], dtype=bool)
        found.append(of_repeats(blank, moved[mine & seen], int(mine.sum()), LEAST, "changes of the cover"))
    if place.axis == 1:
        few = [f.reason for f in found if f.value is None]
        told = deviations(moved, changes)[seen]
        whole = of_repeats(skew, told, len(changes), 2 * LEAST, "changes of the cover")
        found.append(replace(skew, reason=few[0]) if few else whole)
    return found


def _words(found: Sequence[Finding]) -> tuple[str, ...]:
    texts = []
    for f in found:
        if f.key != SKEW:
            continue
        head = f"{f.eye.capitalize()} eye" if f.eye else "Both eyes"
        if f.value is None or f.interval is None:
            texts.append(f"{head}: vertical deviation not assessed ({f.reason}).")
        elif f.interval[0] <= 0 <= f.interval[1]:
            texts.append(f"{head}: no vertical deviation beyond its uncertainty ({abs(f.value):.1f} deg).")
        else:
            higher = "right" if f.value > 0 else "left"
            texts.append(f"{head}: {higher} eye higher by {abs(f.value):.1f} deg.")
    return tuple(texts)


def _flags(found: Sequence[Finding]) -> tuple[RedFlag, ...]:
    """A vertical misalignment is on the clinic's list; as large as the strip flags it while recording."""
    large = [
        f.value
        for f in found
        if f.key == SKEW and f.value is not None and f.interval is not None and not f.marks
        if abs(f.value) > LIVE.skew_deg and f.interval[0] * f.interval[1] > 0
    ]
    if not large:
        return ()
    most = max(large, key=abs)
    higher = "right" if most > 0 else "left"
    return (
        RedFlag(
            f"Vertical misalignment: the {higher} eye is higher by {abs(most):.1f} deg, more than "
            f"{LIVE.skew_deg:g} deg. A red flag if the vertigo is new and continuous."
        ),
    )


NOT_CONCLUDED = (
    "A central lesion from a vertical deviation alone: it is not specific; above 3.3 deg in acute vertigo it "
    "pointed to one (Korda et al., J Neurol 2022;269:1396-1403, abstract).",
    "Skew or weakness of an eye muscle: that takes other gazes and the head tilted.",
)

ALTERNATE_COVER = Procedure(
    key="alternate_cover",
    title="Alternate cover for skew",
    purpose="Shows a vertical misalignment of the eyes.",
    preparation=("Both eyes recorded and calibrated, each by itself.",),
    contraindications=(),
    stop_signs=ALWAYS_STOP,
    steps=COVER_STEPS,
    analyse=analyse,
)
