"""A free recording with typed markers: whatever is watched, measured from marker to marker."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

from analysis.battery.safety import ALWAYS_STOP
from analysis.battery.spontaneous_words import Reading, what_is_found
from analysis.battery.stepwise import StepSettings, measure_steps, settings_in_words, step_cautions
from analysis.procedure import Observed, Procedure, Recorded, Result, Step, Window
from analysis.windows import WindowSettings, step_windows


def analyse(observed: Observed) -> Result:
    """Measure nystagmus from one marker to the next. Names no pattern: nobody has stated what was done."""
    settings = StepSettings()
    windows = marked_windows(observed.recording, settings.windows)
    measured = measure_steps(observed, FREE.steps, settings, windows)
    reading = Reading(windows, measured.findings, measured.marking)
    return Result(
        procedure=FREE.key,
        title=FREE.title,
        windows=windows,
        findings=measured.findings,
        conclusions=what_is_found(reading),
        not_concluded=("Any pattern or side: what was done between the markers is in their words only.",),
        cautions=step_cautions(observed, measured, settings),
        settings=settings_in_words(settings),
    )


def marked_windows(recording: Recorded, settings: WindowSettings) -> tuple[Window, ...]:
    """The steps of the recording, each cut at the notes typed during it; a piece is named by its note."""
    notes = sorted((e.start_s, e.text) for e in recording.events if e.kind == "note")
    found: list[Window] = []
    for window in step_windows(recording, settings, FREE.steps):
        inside = [(t, text) for t, text in notes if window.start_s < t < window.end_s]
        edges = [(window.start_s, window.key), *inside, (window.end_s, "")]
        for (start_s, text), (end_s, _) in pairwise(edges):
            piece = replace(window, start_s=start_s, end_s=end_s, key=_unused(text, found))
            used_from_s = min(max(window.used_from_s, start_s), end_s)
            found.append(replace(piece, used_from_s=used_from_s))
    return tuple(found)


def _unused(text: str, windows: list[Window]) -> str:
    """The text, with a number where it stands already."""
    taken = {w.key for w in windows}
    numbered = (f"{text} {n}" for n in range(2, len(windows) + 3))
    return text if text not in taken else next(key for key in numbered if key not in taken)


FREE = Procedure(
    key="free",
    title="Free recording",
    purpose="Records whatever has to be watched, with markers typed as it happens.",
    preparation=("After calibration and direction check.", "Type a marker whenever something is changed."),
    contraindications=("Those of whatever is done with the patient.",),
    stop_signs=ALWAYS_STOP,
    steps=(
        Step(
            key="free",
            title="Free recording",
            instruction="Keep your eyes wide open.",
            light="not stated",
            posture="as typed",
            stimulus="as typed",
            targets=(),
            shortest_s=5.0,
            longest_s=600.0,
            measured="nystagmus from marker to marker",
            action="Type a marker when you change position, light or anything else.",
        ),
    ),
    analyse=analyse,
)
