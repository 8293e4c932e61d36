"""Random cases of the tests that a stimulus drives: saccades, pursuit, a moving field, covers, lines."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from math import exp, inf, pi, sqrt

import numpy as np
from scipy.stats import norm

from analysis.battery import procedure_named
from analysis.battery.dysconjugacy import INDEX
from analysis.battery.stimulus_steps import ACROSS, FIELD_DPS, PURSUIT_DEG, UP_AND_DOWN
from analysis.cover import uncoverings
from analysis.finding import Finding
from analysis.procedure import Procedure, Result
from capture.samples import AXES, Eye
from capture.simulation.patterns import Course, Pattern
from tests.analysis.interval_draw import Drawn, Judged, finding, measured
from tests.analysis.stimulus_traces import (
    STARTS_S,
    Eyed,
    EyePath,
    TrueSaccade,
    answering,
    following,
    jumps_of,
    recorded,
    result_of,
)

WANDER_DEG = 0.12  # of an eye that does not keep still, standard deviation at most
HZ = (0.1, 0.2, 0.3, 0.4)
VMAX_DPS, BEND_DEG = 551.0, 14.0  # of the main sequence that the made saccades lie on


def result_for(drawn: Drawn, procedure: Procedure, paths: dict[Eye, EyePath], wander_deg: float) -> Result:
    """What is made of these eyes, each step of the procedure led once."""
    seen = Eyed(drawn.rate_hz, drawn.noise_deg, wander_deg, jitter_s=0.1 / drawn.rate_hz)
    return result_of(drawn.seen(recorded(procedure, paths, seen, drawn.rng)))


def only(procedure: str, *steps: str) -> Procedure:
    """A procedure with some of its steps."""
    whole = procedure_named(procedure)
    return replace(whole, steps=tuple(s for s in whole.steps if s.key in steps))


def saccades(drawn: Drawn) -> Iterator[Judged]:
    """Latency, gain and speed to each side, the main sequence, the eyes against each other."""
    drawn.rate_hz = float(drawn.rng.choice((150.0, 250.0, 500.0)))
    axis = drawn.number // 3 % 2
    step, ways = ((ACROSS, ("right", "left")), (UP_AND_DOWN, ("up", "down")))[axis]
    procedure = only("saccades", step)
    wander = float(drawn.rng.choice((0.0, 1.0))) * drawn.rng.uniform(0.0, WANDER_DEG)
    late_s, gain, speed = drawn.rng.uniform(0.17, 0.3), drawn.rng.uniform(0.75, 1.05), drawn.between(0.6, 1.2)
    varied = drawn.rng.uniform(0.03, 0.1)
    asked = jumps_of(procedure.steps[0].targets, axis, STARTS_S)
    paths: dict[Eye, EyePath] = {}
    scatter_s = late_s * drawn.rng.uniform(0.08, 0.2)
    paths["right"], _ = answering(asked, axis, drawn.rng, (late_s, scatter_s), gain, 0.05, speed, varied)
    slower = drawn.rng.uniform(0.7, 1.3)  # the other eye, in every saccade
    own = [
        replace(one, speed=one.speed * slower * (1 + drawn.rng.normal(0, 0.03)))
        for one in paths["right"].saccades[axis]
    ]
    paths["left"] = EyePath(saccades=(own, []) if axis == 0 else ([], own))
    result = result_for(drawn, procedure, paths, wander)
    kind = f"{'across' if axis == 0 else 'up and down'}, {drawn.rate_hz:g}/s"

    def of(measure: str, key: str, truth: float) -> Judged:
        return drawn.judged(measure, kind, truth, finding(result, key, step, AXES[axis]))

    for way in ways:
        yield of("saccade_latency", f"saccade_latency_{way}", 1000 * late_s)
        yield of("saccade_gain", f"saccade_gain_{way}", gain)
        yield of("saccade_speed", f"saccade_speed_{way}", 100 * speed)
        if drawn.rate_hz >= 200:
            yield of("main_sequence_vmax", f"main_sequence_vmax_{way}", VMAX_DPS * speed)
            yield of("main_sequence_constant", f"main_sequence_constant_{way}", BEND_DEG)
            for size in ((5, 15, 30), (5, 10))[axis]:
                peak = VMAX_DPS * speed * (1 - exp(-size / BEND_DEG))
                yield of(f"saccade_peak_{size}", f"saccade_peak_{size}_{way}", peak)
    if drawn.rate_hz >= 200:
        yield of("saccade_peak_asymmetry", "saccade_peak_asymmetry", 0.0)
    if axis == 0:
        for way, truth in (("right", 1 / slower), ("left", slower)):
            found = finding(result, f"{INDEX}_{way}", step, AXES[0], None)
            yield drawn.judged("versional_dysconjugacy", kind, truth, found)


def pursuit(drawn: Drawn) -> Iterator[Judged]:
    """Gain, phase and bias of one frequency, of eyes that keep still and of eyes that wander."""
    hz = HZ[drawn.number // 3 % 4]
    wander = (0.0, drawn.rng.uniform(0.5, 1.0) * WANDER_DEG)[drawn.number // 12 % 2]
    step = f"pursuit {hz:g} Hz"
    right = drawn.rng.uniform(0.5, 1.0)
    left = right * drawn.rng.uniform(0.8, 1.1)
    lag_s, bias = drawn.rng.uniform(0.0, 0.05), drawn.rng.uniform(-4.0, 4.0)
    vary = drawn.rng.uniform(0.0, 0.06)
    ends_s = STARTS_S + 5 / hz
    path = following(
        hz, PURSUIT_DEG, STARTS_S, ends_s, drawn.rng, (right, left), lag_s, bias, vary, catch_up=True
    )
    result = result_for(drawn, only("pursuit", step), {"right": path}, wander)
    kind = f"{hz:g} Hz, {'wandering' if wander else 'still'}"
    truths = {
        "pursuit_gain": (right + left) / 2,
        "pursuit_gain_right": right,
        "pursuit_gain_left": left,
        "pursuit_phase": -360 * hz * lag_s,
        "pursuit_asymmetry": 100 * (right - left) / (right + left),
        "pursuit_bias": bias,
    }
    for key, truth in truths.items():
        yield drawn.judged(key, kind, truth, finding(result, key, step, AXES[0]))


def optokinetic(drawn: Drawn) -> Iterator[Judged]:
    """Gain of each field, and the asymmetry of a pair with and without the nystagmus in the dark."""
    still = float(drawn.rng.choice((0.0, 1.0))) * drawn.rng.uniform(-5, 5)
    gains = {key: drawn.rng.uniform(0.4, 1.0) for key in FIELD_DPS}
    places = {k: (Course((g * FIELD_DPS[k], 0.0, 0.0), 0.0, 0.3, inf),) for k, g in gains.items()}
    pattern = drawn.habits(Pattern((still, 0.0, 0.0), in_light=1.0, provoked=places))
    result = measured(drawn.led("optokinetic", pattern))
    kind = "spontaneous nystagmus" if still else "no spontaneous nystagmus"
    for key, gain in gains.items():
        truth = gain + still / FIELD_DPS[key]
        found = finding(result, "optokinetic_gain", key, AXES[0])
        yield drawn.judged(f"optokinetic_gain {abs(FIELD_DPS[key]):g}", kind, truth, found)
    for dps in (20, 40):
        right, left = (gains[f"field to the {way} {dps} deg/s"] for way in ("right", "left"))
        share, rest = (right - left) / (right + left), 2 * still / (dps * (right + left))
        for key, truth in (("asymmetry", share + rest), ("asymmetry_corrected", share)):
            found = finding(result, f"optokinetic_{key}_{dps}", axis=AXES[0])
            yield drawn.judged(f"optokinetic_{key}", kind, 100 * truth, found)


def vertical(drawn: Drawn) -> Iterator[Judged]:
    """Settings of a line, started from both sides."""
    count = (6, 10, 14)[drawn.number // 3 % 3]
    tilt, side, scatter = drawn.rng.uniform(-8, 8), drawn.rng.uniform(-2, 2), drawn.between(0.5, 3.0)
    started = [20.0 if k % 2 else -20.0 for k in range(count)]
    means = [tilt + side / 2 * np.sign(s) for s in started]
    notes = [
        f"line from {s:+.1f} to {round(m + drawn.rng.normal(0, scatter), 2):+.1f}"
        for s, m in zip(started, means, strict=True)
    ]
    made = recorded(
        procedure_named("visual_vertical"), {"right": EyePath()}, Eyed(30.0), drawn.rng,
        notes=["screen level at 0.0: 0.0", "head roll 0.0", *notes],
    )  # fmt: skip
    found = {f.key: f for f in result_of(made).findings if f.eye is None}
    # Mean size of a normal value, z = mean / scatter:
    # scatter sqrt(2 / pi) exp(-z^2 / 2) + mean (1 - 2 Phi(-z))
    sizes = [
        scatter * sqrt(2 / pi) * exp(-0.5 * (m / scatter) ** 2) + m * (1 - 2 * float(norm.cdf(-m / scatter)))
        for m in means
    ]
    truths = {
        "vertical_mean": tilt,
        "vertical_mean_absolute": float(np.mean(sizes)),
        "vertical_median": tilt,
        "start_side_effect": side,
    }
    for key, truth in truths.items():
        yield drawn.judged(key, f"{count} settings", truth, found.get(key))
    if abs(side) < 0.3 * scatter:  # else the two sides make the settings no normal ones
        whole = sqrt(scatter**2 + count / (count - 1) * side**2 / 4)
        yield drawn.judged("vertical_spread", f"{count} settings", whole, found.get("vertical_spread"))


def cover(drawn: Drawn) -> Iterator[Judged]:
    """A deviation of the eyes, from where each of them lands when it takes up fixation."""
    deviation, scatter = drawn.rng.uniform(-6, 6), drawn.rng.uniform(0.05, 0.5)
    procedure = procedure_named("alternate_cover")
    changes = uncoverings(STARTS_S, STARTS_S + procedure.steps[0].longest_s, 2.0)
    places = [(0.0 if k % 2 else -deviation) + drawn.rng.normal(0, scatter) for k in range(len(changes))]
    moves = [
        TrueSaccade(change.at_s + 0.25, b - a)
        for change, (a, b) in zip(changes, pairwise([0.0, *places]), strict=True)
    ]
    wander = float(drawn.rng.choice((0.0, 1.0))) * drawn.rng.uniform(0.0, WANDER_DEG)
    result = result_for(drawn, procedure, {"right": EyePath(saccades=([], moves))}, wander)
    kind = "wandering" if wander else "still"
    truths = {"vertical_deviation": deviation, "refixation_right": -deviation, "refixation_left": deviation}
    for key, truth in truths.items():
        yield drawn.judged(key, kind, truth, finding(result, key, axis=AXES[1]))


def fixation(drawn: Drawn) -> Iterator[Judged]:
    """Square-wave jerks that come by chance, so many a minute; between two the eye rests for 0.1 s."""
    often = drawn.between(2.0, 40.0)
    size = drawn.rng.uniform(0.8, 4.0)
    path = EyePath()
    now_s = -20.0  # as often at the first second of the test as later
    while now_s < STARTS_S + 60.0:
        one = drawn.rng.choice((-1.0, 1.0)) * size * float(np.exp(drawn.rng.normal(0, 0.15)))
        back_s = now_s + drawn.rng.normal(0.2, 0.02)
        path.saccades[0].extend((TrueSaccade(now_s, one), TrueSaccade(back_s, -one)))
        now_s += 0.35 + drawn.rng.exponential(60 / often - 0.35)  # a jerk lasts about 0.25 s
    result = result_for(drawn, procedure_named("fixation_stability"), {"right": path}, 0.0)
    kind = "few" if often < 10 else "many"
    found: dict[str, Finding | None] = {
        key: finding(result, key) for key in ("square_wave_jerk_rate", "square_wave_jerk_size")
    }
    yield drawn.judged("square_wave_jerk_rate", kind, often, found["square_wave_jerk_rate"])
    yield drawn.judged("square_wave_jerk_size", kind, size, found["square_wave_jerk_size"])
