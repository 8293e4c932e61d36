"""What every procedure with nystagmus does first: measure each of its steps, and say what may mislead."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field

from analysis.battery.pendular_findings import pendular_findings
from analysis.cautions import CautionSettings, window_cautions
from analysis.eye_window import EyeWindow, NystagmusSettings, eye_window
from analysis.finding import Finding
from analysis.marking import (
    BLOCKED_LOST_SHARE,
    DIRECTION_NOT_PROVEN,
    UNCALIBRATED,
    WARNED_LOST_SHARE,
    Marking,
    mark,
)
from analysis.nystagmus_findings import nystagmus_findings
from analysis.procedure import Light, Observed, Step, Window
from analysis.windows import WindowSettings, step_windows
from capture.samples import Eye


@dataclass(frozen=True, slots=True)
class StepSettings:
    """The one configuration for every recording."""

    windows: WindowSettings = field(default_factory=WindowSettings)
    nystagmus: NystagmusSettings = field(default_factory=NystagmusSettings)
    cautions: CautionSettings = field(default_factory=CautionSettings)


@dataclass(frozen=True, slots=True)
class Measured:
    """The steps of a recording, each eye in each of them, and what is proven about each eye."""

    windows: tuple[Window, ...]
    marking: Mapping[Eye, Marking]
    parts: Mapping[tuple[str, Eye], EyeWindow]  # by key of the window and eye
    findings: tuple[Finding, ...]

    def light(self, key: str) -> Light:
        """The light of the window of this key."""
        return next(w.light for w in self.windows if w.key == key)


def measure_steps(
    observed: Observed,
    steps: Sequence[Step],
    settings: StepSettings,
    windows: tuple[Window, ...] | None = None,
) -> Measured:
    """Nystagmus of each eye in each step; `windows` where they are not simply the steps.

    Never raises for a poor recording: what cannot be assessed is a finding without a value, with its reason.
    """
    if windows is None:
        windows = step_windows(observed.recording, settings.windows, steps)
    marking: dict[Eye, Marking] = {eye: mark(observed.recording, eye) for eye in observed.traces}
    parts: dict[tuple[str, Eye], EyeWindow] = {
        (window.key, eye): eye_window(
            observed.traces[eye], observed.beats[eye], window, marking[eye], settings.nystagmus
        )
        for window in windows
        for eye in marking
    }
    found = tuple(f for part in parts.values() for f in nystagmus_findings(part))
    return Measured(windows, marking, parts, (*found, *pendular_findings(windows, parts)))


def settings_in_words(settings: StepSettings) -> dict[str, float | int | str]:
    """Every constant that decided something, by its name."""
    return {
        **asdict(settings.windows),
        **asdict(settings.nystagmus),
        **asdict(settings.cautions),
        "lost_share_warned": WARNED_LOST_SHARE,
        "lost_share_blocked": BLOCKED_LOST_SHARE,
    }


def step_cautions(observed: Observed, measured: Measured, settings: StepSettings) -> tuple[str, ...]:
    """What a reader should know of the eyes, of the recording as a whole, and of each step."""
    marking, windows = measured.marking, measured.windows
    said: dict[Eye, tuple[str, ...]] = {eye: (*m.marks, *m.cautions) for eye, m in marking.items()}
    texts = _by_eye(said)
    texts += [f"{m.eye} eye: {m.blocked}" for m in marking.values() if m.blocked]
    if any(UNCALIBRATED in m.marks or DIRECTION_NOT_PROVEN in m.marks for m in marking.values()):
        texts.append("red flags that need degrees and proven directions could not be looked for")
    if len(marking) < 2:
        texts.append("one eye recorded: whether the eyes move together is not assessed")
    if observed.age is not None and not observed.recording.info.utc_of_zero:
        texts.append("day of the test not known: the age is that of the day the recording was made")
    if any(w.light == "not stated" for w in windows):
        texts.append("light not stated: no limit applies, and the effect of fixation is not assessed")
    return (*texts, *_of_windows(observed, windows, settings.cautions))


def _by_eye(said: Mapping[Eye, tuple[str, ...]]) -> list[str]:
    """Each text once, with the eye or eyes that it is about."""
    found = []
    for text in dict.fromkeys(text for texts in said.values() for text in texts):
        whose = [eye for eye, texts in said.items() if text in texts]
        found.append(f"{' and '.join(whose)} eye{'s' * (len(whose) - 1)}: {text}")
    return found


def _of_windows(observed: Observed, windows: tuple[Window, ...], settings: CautionSettings) -> list[str]:
    return _by_eye(
        {
            eye: tuple(
                text
                for window in windows
                for text in window_cautions(observed.recording, trace, window, settings)
            )
            for eye, trace in observed.traces.items()
        }
    )
