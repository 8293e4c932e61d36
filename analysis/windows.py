"""Which seconds of a recording belong to a step, and from when on they are measured.

When the light changes, the pupil changes size and its centre moves: a false slow drift of the first seconds
(0.3 to 5.2 deg, mean 2.6, between constricted and dilated: Drewes et al., PLoS One 2014;9:e111197, abstract;
0.9 deg/s if it takes 3 s). These seconds are dropped, and more until the pupil is steady.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from analysis.procedure import Light, Step, Window
from analysis.pupil_settling import SettlingSettings, steady_from_s

if TYPE_CHECKING:
    from analysis.procedure import Recorded

OUTSIDE = "step lies outside the recording"
LATE_S = 0.1  # a step that ends this much after the last frame ends with the recording
LIGHTS: dict[str, Light] = {"light": "light", "dark": "dark", "fixation": "fixation"}


@dataclass(frozen=True, slots=True)
class WindowSettings:
    """Seconds; common practice, no source: the first 3 to 5 s after a light change are discarded."""

    dropped_s: float = 5.0
    dropped_short_s: float = 3.0  # in a step shorter than `long_step_s`
    long_step_s: float = 20.0
    least_used_s: float = 5.0  # clinical reference 27.6; this much is measured though the pupil is not steady
    settling: SettlingSettings = field(default_factory=SettlingSettings)


def step_windows(
    recording: Recorded, settings: WindowSettings, steps: Sequence[Step] = ()
) -> tuple[Window, ...]:
    """One window a step of the recording, in order of time; a step that comes again gets a number.

    The light is that of the procedure's step of this key, else what the key itself says. A step that moves
    the patient is measured from the event "reached", one that asks for a word from "confirmed".
    After a change of light, whichever way, a window begins when the pupils are steady (27.6).
    Without step events, everything after the last calibration target is one window whose light is not
    stated; without targets too, the whole recording.
    """
    last_target_s = max((target.end_s for target in recording.targets), default=None)
    led = sorted(
        (event.start_s, event.end_s, event.text) for event in recording.events if event.kind == "step"
    )
    known = {step.key: step for step in steps}
    if not led:
        return (_until_steady(recording, _unstated(recording, last_target_s, settings), settings),)
    end_s = _recording_end_s(recording)
    windows: list[Window] = []
    light_before: Light | None = None if last_target_s is None else "fixation"
    seen: dict[str, int] = {}
    for start_s, stop_s, text in led:
        light = known[text].light if text in known else LIGHTS.get(text, "not stated")
        changed = light_is_on(light) != light_is_on(light_before)
        again = seen[text] = seen.get(text, -1) + 1
        key = f"{text} {again + 1}" if again else text
        if start_s >= end_s or stop_s <= 0:
            windows.append(Window(key, light, start_s, stop_s, start_s, OUTSIDE, outside=True))
        else:
            window = _window(key, light, start_s, stop_s, changed, settings)
            window = _until_steady(recording, window, settings)
            windows.append(_from_event(recording, window, known.get(text)))
        light_before = light
    return tuple(_within(window, end_s) for window in windows)


def step_of(window: Window, steps: Sequence[Step]) -> Step | None:
    """The procedure's step that a window belongs to, its repeats included."""
    key, _, number = window.key.rpartition(" ")
    names = (window.key, key) if number.isdigit() else (window.key,)
    return next((step for step in steps if step.key in names), None)


def _from_event(recording: Recorded, window: Window, step: Step | None) -> Window:
    """The window from when the position was reached or the patient confirmed, where that is told."""
    if step is None or not (step.moves or step.confirm):
        return window
    kind, said = ("reached", "position was reached") if step.moves else ("confirmed", "patient confirmed")
    times = [
        e.start_s
        for e in recording.events
        if (e.kind, e.text) == (kind, step.key) and window.start_s <= e.start_s <= window.end_s
    ]
    if not times:
        return replace(window, note=f"{window.note}; when the {said} is not marked")
    used_from_s = max(window.used_from_s, times[-1])
    note = f"{window.note}; measured from when the {said}"
    return replace(window, used_from_s=used_from_s, note=note, reached_s=times[-1] if step.moves else None)


def _until_steady(recording: Recorded, window: Window, settings: WindowSettings) -> Window:
    """The window without what follows its dropped seconds while a pupil still changes its size."""
    last_s = min(window.end_s, _recording_end_s(recording)) - settings.least_used_s
    if window.used_from_s == window.start_s or last_s < window.used_from_s:
        return window
    steady_s = steady_from_s(recording, window.used_from_s, last_s, settings.settling)
    if steady_s is None:
        return replace(window, note=f"{window.note}; the pupil was not seen to become steady")
    if steady_s == window.used_from_s:
        return window
    note = f"{window.note}, and {steady_s - window.used_from_s:.1f} s more until the pupil was steady"
    return replace(window, used_from_s=steady_s, note=note)


def _within(window: Window, end_s: float) -> Window:
    """The window cut to the recording, which ends at `end_s`; one outside of it as it is."""
    if window.outside or (window.start_s >= 0 and window.end_s <= end_s + LATE_S):
        return window
    start_s, stop_s = max(window.start_s, 0.0), min(window.end_s, end_s)
    used_from_s = min(max(window.used_from_s, 0.0), stop_s)
    note = f"{window.note}; cut to the recording"
    return replace(window, start_s=start_s, end_s=stop_s, used_from_s=used_from_s, note=note)


def light_is_on(light: Light | None) -> bool | None:
    """Whether the patient sees something to fixate; None where it is not stated."""
    if light in (None, "not stated"):
        return None
    return light != "dark"


def _unstated(recording: Recorded, last_target_s: float | None, settings: WindowSettings) -> Window:
    end_s = _recording_end_s(recording)
    start_s = min(last_target_s or 0.0, end_s)
    return _window("light not stated", "not stated", start_s, end_s, last_target_s is not None, settings)


def _recording_end_s(recording: Recorded) -> float:
    ends = [float(samples["time_s"][-1]) for samples in recording.samples.values() if len(samples)]
    return max(ends, default=0.0)


def _window(
    key: str, light: Light, start_s: float, end_s: float, changed: bool, settings: WindowSettings
) -> Window:
    if not changed:
        return Window(key, light, start_s, end_s, start_s, "light unchanged, nothing dropped")
    long = end_s - start_s >= settings.long_step_s
    dropped_s = settings.dropped_s if long else settings.dropped_short_s
    cause = "the light may have changed" if light == "not stated" else "the light changed"
    note = f"first {dropped_s:g} s dropped: {cause}"
    return Window(key, light, start_s, end_s, min(start_s + dropped_s, end_s), note)
