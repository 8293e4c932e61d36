"""A scenario played out: gaze, lids, pupil and light at each millisecond, and what happened."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.samples import Target
from capture.simulation.blinks import BLINK_DIP_DEG, Blinks
from capture.simulation.movement import (
    SAMPLE_RATE_HZ,
    Movement,
    TrueBeat,
    TrueEvent,
    smooth_noise,
    true_beats,
)
from capture.simulation.pupil_light import CONSTRICTION_S, DILATION_S, PUPIL_LATENCY_S, WIDENING
from capture.simulation.scenario import Scenario

DRIFT_DEG = {"light": 0.06, "fixation": 0.06, "dark": 0.15}  # of a still eye, one axis (from memory)
DRIFT_TIME_S = 0.25
TORSION_DRIFT = 1.5  # torsion is held less well than gaze (from memory)


@dataclass(frozen=True, slots=True)
class Signals:
    """Each millisecond from the start of the scenario; arrays (n,) unless stated."""

    gaze_deg: NDArray[np.float64]  # (n, 3) Fick horizontal, vertical, torsional
    opening: NDArray[np.float64]  # of the lids, 1 usual, 0 shut
    blinking: NDArray[np.bool_]
    widening: NDArray[np.float64]  # of the pupil, 0 as in light to 1 as in darkness
    light: NDArray[np.float64]  # infrared light, 1 at the start
    beats: tuple[TrueBeat, ...]
    events: tuple[TrueEvent, ...]
    targets: tuple[Target, ...]
    steps: tuple[tuple[float, float, str], ...]  # start, end, what the patient sees

    def sample(self, series: NDArray[np.float64], time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """A signal (n,) of this scenario at times from its start, in a straight line between samples."""
        return np.interp(time_s * SAMPLE_RATE_HZ, np.arange(series.size), series)


def play(scenario: Scenario, seed: int, start_s: float) -> Signals:
    """Play a scenario that starts at the host time `start_s`; the seed decides everything left to chance."""
    movement, targets, steps = _play_steps(scenario, np.random.default_rng([seed, 11]), start_s)
    count = round(scenario.duration_s * SAMPLE_RATE_HZ) + 1
    noise = smooth_noise(np.random.default_rng([seed, 12]), count, 3, DRIFT_TIME_S)
    noise *= (
        scenario.unsteadiness * _by_light(scenario, DRIFT_DEG)[:, None] * np.array([1.0, 1.0, TORSION_DRIFT])
    )
    steady = movement.positions() + noise
    closure, blinks = _blinks(scenario, np.random.default_rng([seed, 13]), count)
    events = [_later(event, start_s) for event in (*movement.events, *blinks, *_happenings(scenario))]
    return Signals(
        gaze_deg=steady + closure[:, None] * np.array(BLINK_DIP_DEG),
        opening=_droop(scenario, count) * (1 - closure),
        blinking=closure > 0,
        widening=_follow(_by_light(scenario, WIDENING), np.random.default_rng([seed, 14])),
        light=_light(scenario, count),
        beats=true_beats(movement.beats, steady, closure > 0, start_s),
        events=tuple(sorted(events, key=lambda event: event.start_s)),
        targets=targets,
        steps=steps,
    )


def _play_steps(
    scenario: Scenario, rng: np.random.Generator, start_s: float
) -> tuple[Movement, tuple[Target, ...], tuple[tuple[float, float, str], ...]]:
    """The gaze without drift, the targets and the steps, one step after the other."""
    movement = Movement(scenario.duration_s, rng)
    targets: list[Target] = []
    steps: list[tuple[float, float, str]] = []
    at_s = 0.0
    for step in scenario.steps:
        end_s = at_s + step.duration_s
        targets += step.targets(start_s + at_s)
        steps.append((start_s + at_s, start_s + end_s, step.light))
        step.play(movement)
        movement.slow(end_s)
        at_s = end_s
    return movement, tuple(targets), tuple(steps)


def _by_light(scenario: Scenario, values: Mapping[str, float]) -> NDArray[np.float64]:
    """(n,) the value for what the patient sees at each millisecond."""
    out = np.zeros(round(scenario.duration_s * SAMPLE_RATE_HZ) + 1)
    at_s = 0.0
    for step in scenario.steps:
        out[round(at_s * SAMPLE_RATE_HZ) :] = values[step.light]
        at_s += step.duration_s
    return out


def _later(event: TrueEvent, start_s: float) -> TrueEvent:
    return event._replace(start_s=event.start_s + start_s, end_s=event.end_s + start_s)


def _blinks(
    scenario: Scenario, rng: np.random.Generator, count: int
) -> tuple[NDArray[np.float64], list[TrueEvent]]:
    """Closure (n,) 0..1 and the blinks that end within the scenario."""
    blinks = Blinks(rng, scenario.blink_every_s)
    whole = [b for b in blinks.until((count - 1) / SAMPLE_RATE_HZ) if b.end_s * SAMPLE_RATE_HZ < count - 1]
    closure = np.zeros(count)
    for blink in whole:
        t = np.arange(round(blink.start_s * SAMPLE_RATE_HZ), round(blink.end_s * SAMPLE_RATE_HZ) + 1)
        closure[t] = blink.closure(t / SAMPLE_RATE_HZ)
    return closure, [TrueEvent("blink", blink.start_s, blink.end_s) for blink in whole]


def _happenings(scenario: Scenario) -> list[TrueEvent]:
    found = [TrueEvent("light_change", at_s, at_s) for at_s, _ in scenario.light_changes]
    if scenario.slip is not None:
        found.append(TrueEvent("slip", scenario.slip.at_s, scenario.slip.at_s))
    return found


def _droop(scenario: Scenario, count: int) -> NDArray[np.float64]:
    """(n,) opening of the lids without blinks."""
    if scenario.droop is None:
        return np.ones(count)
    from_s, to_s, opening = scenario.droop
    return np.interp(np.arange(count) / SAMPLE_RATE_HZ, [from_s, to_s], [1.0, opening])


def _light(scenario: Scenario, count: int) -> NDArray[np.float64]:
    light = np.ones(count)
    for at_s, level in scenario.light_changes:
        light[round(at_s * SAMPLE_RATE_HZ) :] = level
    return light


def _follow(wanted: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """(n,) the pupil's widening: late, faster to close than to open, and never quite still."""
    late = round(PUPIL_LATENCY_S * SAMPLE_RATE_HZ)
    delayed = np.concatenate([np.full(late, wanted[0]), wanted[:-late]])
    out = np.empty_like(delayed)
    now = delayed[0]
    for start in range(0, delayed.size, 10):
        gap = delayed[start] - now
        now += gap * 0.01 / (DILATION_S if gap > 0 else CONSTRICTION_S)
        out[start : start + 10] = now
    places = np.arange(0, delayed.size, 10)
    smooth = np.interp(np.arange(delayed.size), places, out[places])
    return smooth + 0.02 * smooth_noise(rng, delayed.size, 1, 0.6)[:, 0]
