"""Random cases of every measure that carries an interval, with what is true of them.

A case is drawn from its number alone: the patient, how often and how evenly the eyes beat, how they wander
and blink, the frame rate, and noise that is white, falls as 1/f and remembers itself for 0.02 to 2 s. Four
of seven are seen through a calibration that is wrong by what it states of itself, the others through an
exact one that states nothing. The truth is that of the nystagmus that drives the eyes: what varies from beat
to beat and what wanders about a mean of 0 is error, and belongs into the interval.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from math import inf, isfinite, log

import numpy as np
from scipy.signal import lfilter

from analysis.analyse import analyse_recording
from analysis.battery import procedure_named
from analysis.battery.caloric_summary import summarise
from analysis.finding import Finding
from analysis.nystagmus_findings import DRIFT, VELOCITY
from analysis.positional_findings import ASYMMETRY, DURATION, LATENCY, PEAK, TIME_CONSTANT
from analysis.procedure import Result
from capture.calibration import Calibration, calibrate
from capture.calibration_error import motion_errors
from capture.profile import EyeView, MountGeometry
from capture.samples import AXES, Eye, Target
from capture.simulation.canals import Triple
from capture.simulation.patterns import (
    OTHER,
    Course,
    Pattern,
    acute_loss,
    geotropic,
    irrigations,
    posterior_canal,
)
from capture.simulation.traces import Seeing
from tests.analysis.led_patient import Led, lead
from tests.capture.ray_traced_eye import SIZE_PX, RayTracedEye, exact_look

EIGHT = ((0, 0), (10, 0), (15, 0), (-10, 0), (-15, 0), (0, 10), (0, -10), (0, 0))
THREE = ((0, 0), (10, 0), (0, 10))

NOISE_DEG = (0.05, 0.1, 0.2)  # white, of a sample; the other kinds are drawn as shares of it
RATES_HZ = (60.0, 100.0, 150.0, 250.0, 500.0)
WEIGHT = (1.0, 1.0, 1.5)  # torsion is noisier


@cache
def calibrations() -> tuple[Calibration, ...]:
    """Of four eyes that missed each target by 0.2 deg, two with eight and two with three targets."""
    made = []
    for seed, places in enumerate((EIGHT, EIGHT, THREE, THREE)):
        rng = np.random.default_rng(700 + seed)
        looked = tuple((h + rng.normal(0.0, 0.2), v + rng.normal(0.0, 0.2)) for h, v in places)
        targets, rows = exact_look(RayTracedEye(temple=-1, azimuth_deg=15.0), looked, rng=rng)
        shown = tuple(Target(*one[:2], *place) for one, place in zip(targets, places, strict=True))
        made.append(calibrate(shown, rows, EyeView("right"), MountGeometry(), SIZE_PX))
    return tuple(made)


@dataclass(frozen=True, slots=True)
class Judged:
    """One measure of one case."""

    measure: str
    pattern: str
    noise_deg: float
    truth: float
    value: float | None
    interval: tuple[float, float] | None

    @property
    def answered(self) -> bool:
        """Whether there is a value; without an interval it does not count as one."""
        return self.value is not None and self.interval is not None

    @property
    def error(self) -> float:
        """Of the value."""
        return (self.value or 0.0) - self.truth

    @property
    def half_width(self) -> float:
        """Of the interval."""
        low, high = self.interval or (-inf, inf)
        return (high - low) / 2

    @property
    def held(self) -> bool:
        """Whether the interval holds the truth."""
        low, high = self.interval or (-inf, inf)
        return low <= self.truth <= high


class Drawn:
    """The chance of one case."""

    def __init__(self, family: str, number: int) -> None:
        self.rng = np.random.default_rng([zlib.crc32(family.encode()), number])
        self.number, self.family = number, family
        self.noise_deg = NOISE_DEG[number % len(NOISE_DEG)]
        self.rate_hz = float(self.rng.choice(RATES_HZ))
        self.falling = float(self.rng.choice((0.0, 0.4)))
        self.calibration = calibrations()[number % 7] if number % 7 < 4 else None
        self.seen_as = np.eye(3)
        if self.calibration is not None and (errors := motion_errors(self.calibration)) is not None:
            self.seen_as += np.tensordot(self.rng.standard_normal(len(errors)), errors, 1)
        self.lasting, self.lasts_s = float(self.rng.choice((0.0, 0.5, 1.0))), self.between(0.02, 2.0)

    def between(self, low: float, high: float) -> float:
        """Even on a scale of ratios."""
        return float(np.exp(self.rng.uniform(log(low), log(high))))

    def habits(self, pattern: Pattern) -> Pattern:
        """The patient with habits of their own."""
        return replace(
            pattern,
            beats_per_s=self.between(0.8, 6.0),
            variation=self.rng.uniform(0.0, 0.25),
            wander_deg=self.rng.uniform(0.0, 0.12),
            blink_every_s=None if self.rng.random() < 0.2 else self.between(2.5, 8.0),
        )

    def led(self, procedure: str, pattern: Pattern, seconds: Mapping[str, float] | None = None) -> Led:
        """What one eye's camera recorded of a procedure."""
        noise = self.noise_deg
        seen = Seeing(self.rate_hz, (noise, noise, WEIGHT[2] * noise), self.falling * self.noise_deg)
        led = lead(procedure_named(procedure), pattern, self.number, {"right": seen}, seconds)
        rows = led.recording.samples["right"]
        turned = np.column_stack([rows[f"{name}_deg"] for name in AXES]) @ self.seen_as.T
        r = np.exp(-1 / (self.rate_hz * self.lasts_s))
        for axis, name in enumerate(AXES):
            fresh = self.rng.standard_normal(len(rows)) * np.sqrt(1 - r * r)
            lasting = np.asarray(lfilter([1.0], [1.0, -r], fresh))
            rows[f"{name}_deg"] = turned[:, axis] + self.lasting * WEIGHT[axis] * noise * lasting
        if self.calibration is None:
            return led
        calibrated: dict[Eye, Calibration] = {"right": self.calibration}
        return replace(led, recording=replace(led.recording, calibrations=calibrated))

    def judged(self, measure: str, pattern: str, truth: float, found: Finding | None) -> Judged:
        """A finding beside its truth."""
        value, interval = (found.value, found.interval) if found else (None, None)
        return Judged(measure, pattern, self.noise_deg, truth, value, interval)


def finding(result: Result, key: str, step: str = "", axis: str | None = None) -> Finding | None:
    """The finding of the right eye."""
    for f in result.findings:
        if f.key == key and (not step or f.step == step) and f.axis == axis and f.eye == "right":
            return f
    return None


def measured(led: Led) -> Result:
    """The result of a recording."""
    return analyse_recording(led.recording, 1960).results[0]  # type: ignore[arg-type]


def _way(drawn: Drawn, speed_dps: float) -> Triple:
    """A direction in three axes by chance."""
    way = drawn.rng.standard_normal(3) * (1.0, 0.6, 0.5)
    h, v, t = (speed_dps * way / np.linalg.norm(way)).tolist()
    return h, v, t


def spontaneous(drawn: Drawn) -> Iterator[Judged]:
    """Velocity on each axis in the dark, what fixation leaves of it."""
    kind = ("steady", "Alexander", "down-beat", "none")[drawn.number // 3 % 4]
    speed, left = drawn.between(1.5, 60.0), drawn.rng.uniform(0.05, 0.9)
    if kind == "Alexander":
        pattern = replace(acute_loss("left", min(speed, 30.0)), in_light=left, provoked={})
    elif kind == "down-beat":
        pattern = Pattern((0.0, min(speed, 25.0), 0.0), in_light=left)
    else:
        pattern = Pattern(_way(drawn, speed) if kind == "steady" else (0.0, 0.0, 0.0), in_light=left)
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
        }
        for key, truth in truths.items():
            yield drawn.judged(f"{key} {place}", kind, truth, finding(result, key, step, name))


def gaze(drawn: Drawn) -> Iterator[Judged]:
    """Velocity while gaze is held aside, and the integrator's time constant."""
    pattern = drawn.habits(
        Pattern(integrator_tau_s=drawn.rng.uniform(3, 15), in_light=drawn.rng.uniform(0.7, 1))
    )
    led = drawn.led("gaze_holding", pattern)
    result = measured(led)
    events = {e.text: e for e in led.recording.events if e.kind == "step"}
    for step, name in (("gaze right", AXES[0]), ("gaze left", AXES[0])):
        eyes, event = led.patient.eyes, events[step]
        middles = np.array(
            [
                (b.slow_start_s + b.slow_end_s) / 2
                for b in led.patient.true_beats()
                if event.start_s + 1 < b.slow_start_s < event.end_s
            ]
        )
        place = eyes.gaze_deg(middles, "right") - eyes.wander_deg(middles)
        truth = (
            -pattern.in_light * float(np.mean(place[:, 0])) / pattern.integrator_tau_s
            if len(middles)
            else 0.0
        )
        yield drawn.judged("gaze velocity", "gaze-evoked", truth, finding(result, VELOCITY, step, name))
        truth = pattern.integrator_tau_s / pattern.in_light
        found = finding(result, "integrator_time_constant", step, name)
        yield drawn.judged("integrator_time_constant", "gaze-evoked", truth, found)


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
            led = drawn.led(f"caloric_{ear}_{temperature}", pattern, CALORIC_SECONDS)
            result = measured(led)
            results.append(result)
            course = pattern.provoked[f"{ear} {temperature} irrigation"][0]
            peak = fastest_mean(course, still)
            found = finding(result, "culmination_velocity", axis=AXES[0])
            yield drawn.judged("culmination_velocity", kind, peak, found)
            at_s = course.latency_s + course.rise_s
            yield drawn.judged(
                "culmination_time", kind, at_s, finding(result, "culmination_time", axis=AXES[0])
            )
    whole = summarise(results)
    truths = {
        "unilateral_weakness": 100 * (right - left) / (right + left),
        "directional_preponderance": -100 * 4 * still / (2 * (right + left)),
        "baseline_shift": -still,
    }
    for key, truth in truths.items():
        yield drawn.judged(key, kind, truth, finding(whole, key))


def fastest_mean(course: Course, still_dps: float) -> float:
    """The fastest mean over 10 s of a response and what lies under it, from 30 to 150 s."""
    time = np.arange(30.0, 150.0, 0.1)
    velocity = still_dps + course.peak_dps[0] * np.array([course.share(float(t)) for t in time])
    means = np.convolve(velocity, np.full(100, 0.01), mode="valid")
    return float(means[np.argmax(np.abs(means))])


CALORIC_SECONDS: dict[str, float] = {}
FAMILIES: dict[str, Callable[[Drawn], Iterator[Judged]]] = {
    "spontaneous": spontaneous,
    "positional": positional,
    "gaze": gaze,
    "caloric": caloric,
}


def cases(family: str, count: int, first: int = 0) -> list[Judged]:
    """Every measure of `count` cases of a family."""
    run = FAMILIES[family]
    return [one for number in range(first, first + count) for one in run(Drawn(family, number))]


def known(judged: Judged) -> bool:
    """Whether the case counts for coverage: answered, with ends that are numbers."""
    return judged.answered and isfinite(judged.half_width)
