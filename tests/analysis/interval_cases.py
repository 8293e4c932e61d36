"""Random cases of every measure that carries an interval, with what is true of them.

Nystagmus at rest, provoked by positions, by gaze and by irrigations; the other families are in
`interval_stimulus` and `interval_changes`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from math import inf

import numpy as np

from analysis.battery.caloric_summary import summarise
from analysis.battery.gaze_holding import EARLY, LATE, SLOPE
from analysis.eye_window import DRIFT, VELOCITY
from analysis.positional_findings import ASYMMETRY, DURATION, LATENCY, PEAK, TIME_CONSTANT, TIME_TO_PEAK
from analysis.procedure import Result
from capture.samples import AXES
from capture.simulation.patterns import (
    OTHER,
    Course,
    Pattern,
    acute_loss,
    geotropic,
    irrigations,
    posterior_canal,
)
from tests.analysis.interval_changes import alternation, changes, null_point
from tests.analysis.interval_draw import Drawn, Judged, finding, measured, way_of
from tests.analysis.interval_stimulus import cover, fixation, optokinetic, pursuit, saccades, vertical
from tests.analysis.led_patient import Led


def spontaneous(drawn: Drawn) -> Iterator[Judged]:
    """Velocity on each axis in the dark, what fixation leaves of it."""
    kind = ("steady", "Alexander", "down-beat", "none")[drawn.number // 3 % 4]
    speed, left = drawn.between(1.5, 60.0), drawn.rng.uniform(0.05, 0.9)
    if kind == "Alexander":
        pattern = replace(acute_loss("left", min(speed, 30.0)), in_light=left, provoked={})
    elif kind == "down-beat":
        pattern = Pattern((0.0, min(speed, 25.0), 0.0), in_light=left)
    else:
        pattern = Pattern(way_of(drawn, speed) if kind == "steady" else (0.0, 0.0, 0.0), in_light=left)
    pattern = drawn.habits(pattern)
    if kind == "Alexander":  # the gaze about which the eyes beat is not quite the target
        pattern = replace(pattern, alexander=0.004)
    seconds = {"light": 5.0, "dark": float(drawn.rng.choice((20.0, 35.0, 65.0))), "fixation": 15.0}
    result = measured(drawn.led("spontaneous", pattern, seconds))
    for axis, name in enumerate(AXES):
        key = DRIFT if kind == "none" else VELOCITY
        found = finding(result, key, "dark", name)
        yield drawn.judged(f"{key} {name}", kind, pattern.spontaneous_dps[axis], found)
    main = AXES[int(np.argmax(np.abs(pattern.spontaneous_dps)))]
    if kind != "none":
        yield drawn.judged("fixation_index", kind, left, finding(result, "fixation_index", axis=main))
        taken = (1 - left) * max(map(abs, pattern.spontaneous_dps))
        yield drawn.judged(
            "fixation_reduction", kind, taken, finding(result, "fixation_reduction", axis=main)
        )


def positional(drawn: Drawn) -> Iterator[Judged]:
    """Peak, latency, duration and time constant of a paroxysm, on each axis that it truly moves."""
    way = drawn.number // 3 % 2
    peak, latency = drawn.between(10, 120), drawn.rng.uniform(0.5, 6)
    rise, tau = drawn.rng.uniform(1, 4), drawn.between(2.5, 10)
    if way == 0:
        kind, pattern = "posterior", posterior_canal("right", peak, latency, rise, tau)
        step, course = "right ear down", pattern.provoked["hanging right"][0]
        procedure = "dix_hallpike_right"
    else:
        kind, pattern = "horizontal", geotropic("right", peak, drawn.rng.uniform(0.3, 1.0), tau, latency)
        step, course = "roll to the right", pattern.provoked["turned right"][0]
        procedure = "supine_roll"
    led = drawn.led(procedure, drawn.habits(pattern))
    result = measured(led)
    yield from _of_course(drawn, kind, result, step, course)
    if kind == "horizontal":
        right, left = (abs(pattern.provoked[f"turned {s}"][0].peak_dps[0]) for s in ("right", OTHER["right"]))
        truth = 100 * (right - left) / (right + left)
        yield drawn.judged(ASYMMETRY, kind, truth, finding(result, ASYMMETRY, axis=AXES[0]))


def _of_course(drawn: Drawn, kind: str, result: Result, step: str, course: Course) -> Iterator[Judged]:
    main = int(np.argmax(np.abs(course.peak_dps)))
    for axis, name in enumerate(AXES):
        if abs(course.peak_dps[axis]) < 4.0:
            continue
        place = "main axis" if axis == main else "other axis"
        truths = {
            PEAK: course.peak_dps[axis],
            LATENCY: course.latency_s,
            DURATION: course.lasts_s(axis),
            TIME_CONSTANT: course.tau_s,
            TIME_TO_PEAK: course.rise_s,
        }
        for key, truth in truths.items():
            yield drawn.judged(f"{key} {place}", kind, truth, finding(result, key, step, name))


def gaze(drawn: Drawn) -> Iterator[Judged]:
    """Velocity while gaze is held aside, the integrator's time constant, and Alexander's law."""
    if drawn.number // 3 % 2:
        yield from _alexander(drawn)
        return
    pattern = drawn.habits(
        Pattern(integrator_tau_s=drawn.rng.uniform(3, 15), in_light=drawn.rng.uniform(0.7, 1))
    )
    led = drawn.led("gaze_holding", pattern)
    result = measured(led)
    back = -pattern.in_light / pattern.integrator_tau_s
    for step in ("gaze right", "gaze left"):
        spans = {VELOCITY: (0.0, inf), EARLY: (0.0, 5.0), LATE: (-5.0, inf)}
        for key, span in spans.items():
            truth = back * place_held(led, step, *span)
            found = finding(result, key, step, AXES[0])
            yield drawn.judged(f"gaze {key}", "gaze-evoked", truth, found)
        found = finding(result, "integrator_time_constant", step, AXES[0])
        yield drawn.judged("integrator_time_constant", "gaze-evoked", -1 / back, found)
    for way in ("right", "left"):
        found = finding(result, "rebound", f"centre after {way}", AXES[0])
        yield drawn.judged("rebound", "gaze-evoked", 0.0, found)


def _alexander(drawn: Drawn) -> Iterator[Judged]:
    """A nystagmus that grows with gaze toward its quick phase, held against the places really held."""
    speed = float(drawn.rng.choice((-1.0, 1.0))) * drawn.between(2.5, 20.0)
    grows = drawn.rng.uniform(0.0, 0.03)
    pattern = drawn.habits(Pattern((speed, 0.0, 0.0), in_light=1.0, alexander=grows))
    led = drawn.led("gaze_holding", pattern)
    result = measured(led)
    fast, slow = ("gaze left", "gaze right") if speed > 0 else ("gaze right", "gaze left")
    speeds = [abs(speed) * (1 + grows * abs(place_held(led, fast)))]
    speeds.append(abs(speed) * (1 - grows * abs(place_held(led, slow))))
    truth = (speeds[0] - speeds[1]) / 50
    yield drawn.judged(SLOPE, "Alexander", truth, finding(result, SLOPE, axis=AXES[0]))


def place_held(led: Led, step: str, from_s: float = 0.0, to_s: float = inf) -> float:
    """Where the slow phases of a step lay on the mean, deg to the right, without the wander.

    `from_s` and `to_s` count from the first second of the step, from its end where negative.
    """
    event = next(e for e in led.recording.events if e.kind == "step" and e.text == step)
    since = event.start_s + 1 + from_s if from_s >= 0 else event.end_s + from_s
    until = min(event.start_s + 1 + to_s, event.end_s)
    middles = [(b.slow_start_s + b.slow_end_s) / 2 for b in led.patient.true_beats()]
    inside = np.array([m for m in middles if since < m < until])
    eyes = led.patient.eyes
    place = eyes.gaze_deg(inside, "right") - eyes.wander_deg(inside)
    return float(np.mean(place[:, 0])) if len(inside) else 0.0


def caloric(drawn: Drawn) -> Iterator[Judged]:
    """Four irrigations of one patient."""
    right, left = drawn.between(8, 50), drawn.between(8, 50)
    still = float(drawn.rng.choice((0.0, 1.0))) * drawn.rng.uniform(-6, 6)
    kind = "spontaneous nystagmus" if still else "no spontaneous nystagmus"
    lit = drawn.rng.uniform(0.1, 0.9)
    pattern = Pattern((still, 0.0, 0.0), in_light=lit, provoked=irrigations(right, left))
    pattern = drawn.habits(pattern)
    results = []
    for ear in ("right", "left"):
        for temperature in ("warm", "cool"):
            led = drawn.led(f"caloric_{ear}_{temperature}", pattern, again=len(results))
            result = measured(led)
            results.append(result)
            course = pattern.provoked[f"{ear} {temperature} irrigation"][0]
            peak = fastest_mean(course, still)
            found = finding(result, "culmination_velocity", axis=AXES[0])
            yield drawn.judged("culmination_velocity", kind, peak, found)
            at_s = course.latency_s + course.rise_s
            latency, tau = course.latency_s, course.tau_s
            for key, truth in (
                ("culmination_time", at_s), ("latency", latency), ("time_constant", tau),
                ("velocity_before", still),
            ):  # fmt: skip
                yield drawn.judged(f"caloric {key}", kind, truth, finding(result, key, axis=AXES[0]))
    whole = summarise(results)
    course = pattern.provoked["right warm irrigation"][0]
    size = abs(fastest_mean(course, 0.0)) / right  # of the horizontal mean over 10 s against the peak
    both, weak = 2 * (right + left) * size, min(right, left) / max(right, left)
    truths = {
        "unilateral_weakness": 100 * (right - left) / (right + left),
        "absolute_weakness": 2 * (right - left) * size,
        "linear_paresis": 100 * (1 - weak),
        "right_sum": 2 * right * size,
        "left_sum": 2 * left * size,
        "directional_preponderance": -100 * 4 * still / both,
        "absolute_preponderance": -4 * still,
        "preponderance_of_spontaneous": -100 * 4 * still / both,
        "gain_asymmetry": 0.0,
        "baseline_shift": -still,
        "monothermal_asymmetry": 100 * (right - left - 2 * still / size) / (right + left),
    }
    for key, truth in truths.items():
        yield drawn.judged(key, kind, truth, finding(whole, key))


def fastest_mean(course: Course, still_dps: float) -> float:
    """Of the means over 10 s, from 30 to 150 s, the one furthest from the velocity under the response."""
    time = np.arange(30.0, 150.0, 0.1)
    velocity = course.peak_dps[0] * np.array([course.share(float(t)) for t in time])
    means = np.convolve(velocity, np.full(100, 0.01), mode="valid")
    return still_dps + float(means[np.argmax(np.abs(means))])


FAMILIES: dict[str, Callable[[Drawn], Iterator[Judged]]] = {
    "spontaneous": spontaneous,
    "positional": positional,
    "gaze": gaze,
    "caloric": caloric,
    "saccades": saccades,
    "pursuit": pursuit,
    "optokinetic": optokinetic,
    "changes": changes,
    "alternation": alternation,
    "null_point": null_point,
    "vertical": vertical,
    "cover": cover,
    "fixation": fixation,
}


def cases(family: str, count: int, first: int = 0) -> list[Judged]:
    """Every measure of `count` cases of a family."""
    run = FAMILIES[family]
    return [one for number in range(first, first + count) for one in run(Drawn(family, number))]
