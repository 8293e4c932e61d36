"""A procedure of the battery as a value: how it is done, what is measured, and who works it out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from analysis.finding import Finding
from capture.samples import Eye, Target

if TYPE_CHECKING:
    from analysis.beats import Beat
    from analysis.limits import Age
    from analysis.trace import Trace
    from capture.calibration import Calibration
    from capture.profile import GoggleProfile
    from recordings.event import Event
    from recordings.info import RecordingInfo

Light = Literal["light", "dark", "fixation", "not stated"]


@dataclass(frozen=True, slots=True)
class Step:
    """One step as the technician leads it. Its `key` is the text of the recording's step event."""

    key: str
    title: str
    instruction: str  # what the patient is told, in words to be read out
    light: Light
    posture: str
    stimulus: str
    targets: tuple[Target, ...]  # times from the start of the step
    shortest_s: float
    longest_s: float
    measured: str
    action: str = ""  # what the technician does now
    moves: bool = False  # begins with moving the patient: its time counts from the event "reached"
    confirm: str = ""  # what the patient says first ("nothing is seen"): its time counts from "confirmed"
    waits_for_nystagmus: bool = False  # no countdown ends it while nystagmus runs
    ear_down: Eye | None = None  # for geotropic and apogeotropic


@dataclass(frozen=True, slots=True)
class Question:
    """Asked before a procedure. A yes means: not as it stands."""

    key: str  # the same in every procedure that asks it, so that it is asked once a visit
    text: str
    source: str
    instead: tuple[str, ...] = ()  # keys of procedures that are proposed on a yes; else a doctor decides


class Recorded(Protocol):
    """What the analysis reads of a recording, sealed or still in memory."""

    @property
    def info(self) -> RecordingInfo: ...  # noqa: D102
    @property
    def profile(self) -> GoggleProfile: ...  # noqa: D102
    @property
    def samples(self) -> Mapping[Eye, NDArray[np.void]]: ...  # noqa: D102
    @property
    def targets(self) -> tuple[Target, ...]: ...  # noqa: D102
    @property
    def events(self) -> tuple[Event, ...]: ...  # noqa: D102
    @property
    def calibrations(self) -> Mapping[Eye, Calibration]: ...  # noqa: D102
    @property
    def complete(self) -> bool: ...  # noqa: D102
    @property
    def verified(self) -> bool: ...  # noqa: D102


@dataclass(frozen=True, slots=True)
class Observed:
    """What every procedure starts from: the recording, and each eye traced and labelled once for all."""

    recording: Recorded
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
    reached_s: float | None = None  # the position was reached; None: not marked, or the step moves nobody


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
    questions: tuple[Question, ...] = ()
