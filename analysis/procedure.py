"""A procedure of the battery as a value: how it is done, what is measured, and who works it out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from analysis.finding import Finding
from capture.samples import Eye, Target

if TYPE_CHECKING:
    from analysis.beats import Beat
    from analysis.limits import Age
    from analysis.trace import Trace
    from recordings.sealed import Recording

Light = Literal["light", "dark", "fixation", "not stated"]


@dataclass(frozen=True, slots=True)
class Step:
    """One step as the technician leads it. Its `key` is the text of the recording's step event."""

    key: str
    title: str
    instruction: str  # what the patient is told
    light: Light
    posture: str
    stimulus: str
    targets: tuple[Target, ...]  # times from the start of the step
    shortest_s: float
    longest_s: float
    measured: str


@dataclass(frozen=True, slots=True)
class Observed:
    """What every procedure starts from: the recording, and each eye traced and labelled once for all."""

    recording: Recording
    traces: Mapping[Eye, Trace]
    beats: Mapping[Eye, tuple[Beat, ...]]
    age: Age | None = None


@dataclass(frozen=True, slots=True)
class Window:
    """The part of a step that is measured; seconds from the recording's zero."""

    key: str  # key of the step
    light: Light
    start_s: float  # of the step
    end_s: float
    used_from_s: float  # later than the start where the first seconds are dropped
    note: str = ""  # what was dropped and why
    outside: bool = False  # the step lies outside the recording: nothing was measured in it


@dataclass(frozen=True, slots=True)
class RedFlag:
    """A finding that a doctor should see at once. Never a diagnosis."""

    text: str
    action: str = "Doctor now"


@dataclass(frozen=True, slots=True)
class Result:
    """What a procedure found in one recording."""

    procedure: str  # key
    title: str
    windows: tuple[Window, ...]
    findings: tuple[Finding, ...]
    conclusions: tuple[str, ...] = ()  # findings in words
    red_flags: tuple[RedFlag, ...] = ()
    fits: tuple[str, ...] = ()  # patterns that the findings fit, and what else fits
    not_concluded: tuple[str, ...] = ()  # what these findings do not say
    cautions: tuple[str, ...] = ()
    choices: tuple[str, ...] = ()  # contested points and what was chosen
    settings: Mapping[str, float | int | str] | None = None


@dataclass(frozen=True, slots=True)
class Procedure:
    """One test of the battery."""

    key: str
    title: str
    purpose: str
    preparation: tuple[str, ...]
    contraindications: tuple[str, ...]  # do not start, or ask the doctor first
    stop_signs: tuple[str, ...]
    steps: tuple[Step, ...]
    analyse: Callable[[Observed], Result]
