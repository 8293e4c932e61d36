"""What must stand above every number of a recording: in the text, the report, the picture and the tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.marking import DIRECTION_NOT_PROVEN, RATE_NOT_PROVEN, UNCALIBRATED, mark
from capture.samples import SIGN_RULE, Eye

if TYPE_CHECKING:
    from recordings.sealed import Recording

UNVERIFIED = "Not verified: no seal; it may have been changed since it was recorded. No limit is applied."
INCOMPLETE = "Recording incomplete: recovered after it was interrupted."
TRAINING = "Training: a simulated patient, not a person."
OF_EYES = {
    UNCALIBRATED: "degrees come from an average eye, may differ from true ones by 10 to 30 %, "
    "and are held against no limit.",
    DIRECTION_NOT_PROVEN: "no direction is named and no limit applied.",
    RATE_NOT_PROVEN: "times come from the nominal rate; velocities are held against no limit.",
}


def banners(recording: Recording) -> tuple[str, ...]:
    """What is wrong with a recording as a whole, then what is not proven of its eyes, which are named."""
    whole = {
        UNVERIFIED: not recording.verified,
        INCOMPLETE: not recording.complete,
        TRAINING: recording.info.training,
    }
    marked = _eyes_by_mark(recording)
    return tuple(text for text, holds in whole.items() if holds) + tuple(
        f"{word.capitalize()}{_named(marked[word], recording)}: {text}"
        for word, text in OF_EYES.items()
        if word in marked
    )


def sign_rule(recording: Recording) -> str:
    """The sign rule, and for which eyes the picture does not prove that it holds."""
    unproven = _eyes_by_mark(recording).get(DIRECTION_NOT_PROVEN, [])
    if not unproven:
        return SIGN_RULE
    signs = "as in the picture; what is right and up for the patient is not proven"
    if len(unproven) == len(recording.samples):
        return signs
    return f"{unproven[0]} eye: {signs}; the other eye: {SIGN_RULE}"


def _named(eyes: list[Eye], recording: Recording) -> str:
    return "" if len(eyes) == len(recording.samples) else f", {' and '.join(eyes)} eye"


def _eyes_by_mark(recording: Recording) -> dict[str, list[Eye]]:
    found: dict[str, list[Eye]] = {}
    for eye in recording.samples:
        for word in mark(recording, eye).marks:
            found.setdefault(word, []).append(eye)
    return found
