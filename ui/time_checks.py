"""Whether steps and targets lie in the time of the video, asked before anything is made."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from capture.samples import Target
from capture.source import SourceInfo
from recordings.event import Event
from ui.messages import CommandError
from ui.steps_file import TimedStep

Span = tuple[float, float]  # first and last frame, seconds of the source's host clock
MENTIONED_S = 0.1  # a step that is cut by less is cut without a word


def common_span(infos: Iterable[SourceInfo]) -> Span | None:
    """From the first frame of any video to the last of any; None where that is not known beforehand."""
    spans = [info.span_s for info in infos]
    known = [span for span in spans if span is not None]
    if not known or len(known) < len(spans):
        return None
    return min(start for start, _ in known), max(end for _, end in known)


def check_targets(targets: Sequence[Target], span: Span | None) -> None:
    """Raise CommandError where no target lies within the video: their times are of another clock."""
    if span and targets and not any(one.start_s < span[1] and one.end_s > span[0] for one in targets):
        raise CommandError(
            f"No target lies within the video ({_text(*span)}); the targets are from "
            f"{_text(targets[0].start_s, targets[-1].end_s)}. Nothing was recorded. Write the targets on the "
            "clock of the frame times or, without frame times, in seconds of the video."
        )


def check_notes(notes: Sequence[Event], span: Span | None) -> None:
    """Raise CommandError for a note that lies outside the video: its time is of another clock."""
    for note in notes:
        if span and not span[0] <= note.start_s <= span[1]:
            raise CommandError(
                f"The note at {note.start_s:g} s lies outside the video ({_text(*span)}). Nothing was "
                "recorded. Write the notes on the clock of the frame times or, without frame times, in "
                "seconds of the video."
            )


def steps_within(steps: Sequence[TimedStep], span: Span | None) -> tuple[TimedStep, ...]:
    """The steps, cut to the video. Raises CommandError for one that lies wholly outside."""
    if span is None:
        return tuple(steps)
    for step in steps:
        if step.start_s >= span[1] or step.end_s <= span[0]:
            raise CommandError(
                f"The step {step.asked.key} ({_text(step.start_s, step.end_s)}) lies outside the video "
                f"({_text(*span)}). Nothing was recorded. Write the steps on the clock of the frame times "
                "or, without frame times, in seconds of the video."
            )
    return tuple(_cut(step, *span) for step in steps)


def _cut(step: TimedStep, start_s: float, end_s: float) -> TimedStep:
    reached_s = step.reached_s
    if reached_s is not None and not start_s <= reached_s <= end_s:
        reached_s = None
    return step._replace(
        start_s=max(step.start_s, start_s), end_s=min(step.end_s, end_s), reached_s=reached_s
    )


def step_warnings(
    given: Sequence[TimedStep], cut: Sequence[TimedStep], targets: Sequence[Target]
) -> list[str]:
    """What to say about steps as they were given, and as they were cut."""
    lines = [
        f"The step {step.asked.key} ({_text(step.start_s, step.end_s)}) reaches beyond the video and ends "
        f"with it: {_text(kept.start_s, kept.end_s)}."
        for step, kept in zip(given, cut, strict=True)
        if abs(kept.start_s - step.start_s) > MENTIONED_S or abs(kept.end_s - step.end_s) > MENTIONED_S
    ]
    for step in cut:
        if step.asked.light == "dark" and any(
            one.start_s < step.end_s and one.end_s > step.start_s for one in targets
        ):
            lines.append(
                f"The dark step {step.asked.key} ({_text(step.start_s, step.end_s)}) covers calibration "
                "targets, which cannot be seen in the dark. Check the times of both."
            )
    return lines


def _text(start_s: float, end_s: float) -> str:
    return f"{start_s:.2f} to {end_s:.2f} s"
