"""A case by chance: an invented patient's habits and cameras, and what became of the case.

A case is drawn from its number alone. Drawn are: the patient (`capture.simulation.drawing`), where the
canals lie (turned by 4 deg, standard deviation, about each axis: order of magnitude from memory) and how
strongly the eyes answer about the line of sight, nystagmus at rest as healthy people have it, how often
the eyes beat, and each eye's camera: rate, noise, gain, roll, cross-talk, lost frames.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import exp

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.battery import procedure_named
from analysis.procedure import Result
from capture.samples import AXES, EYES, Eye
from capture.simulation.canals import TORSIONAL_GAIN, Triple
from capture.simulation.drawing import blinking, draw_pattern, draw_seeing, sleepy, slipping
from capture.simulation.patterns import Course, Pattern
from capture.simulation.traces import Seeing
from tests.analysis.led_patient import Led, lead
from tests.analysis.other_generator import lead_other, wide_seeing

RATES_HZ = (60.0, 100.0, 120.0, 200.0, 250.0)
WIDE_RATES_HZ = (100.0, 150.0, 250.0, 500.0)
# Of the quick phase, for a slow phase below 0 and above 0.
WAYS = (("right", "left"), ("up", "down"), ("upper_pole_right", "upper_pole_left"))
NAMED_SHARE = 0.3  # of the fastest axis: an axis that is truly slower may be hidden by cross-talk and roll


@dataclass(frozen=True)
class Outcome:
    """What became of one case."""

    answered: bool
    right: bool
    wrong_side: bool = False
    present: bool | None = None  # of healthy people: a nystagmus truly slower than 1 deg/s was called present
    said: str = ""


@dataclass
class Drawn:
    """One case's chance: everything that is not the pattern."""

    rng: np.random.Generator
    seed: int
    spoilt: str = ""  # "sleepy", "blinking" or "slipping"
    other: bool = False  # by the second generator, over wider ranges
    rates_hz: tuple[float, ...] = RATES_HZ

    @classmethod
    def of(cls, name: str, number: int, spoilt: str = "", *, other: bool = False) -> Drawn:
        """The chance of case `number` of a pattern."""
        key = zlib.crc32(name.encode())
        rates_hz = WIDE_RATES_HZ if other else RATES_HZ
        return cls(np.random.default_rng([key, number]), number, spoilt, other, rates_hz)

    def side(self) -> Eye:
        """One of the two, evenly."""
        return EYES[int(self.rng.integers(2))]

    def patient(self, name: str, *, canals: bool, rest: bool) -> Pattern:
        """A patient of a kind, with canals of their own and nystagmus at rest."""
        pattern = draw_pattern(name, self.rng)
        pattern = replace(pattern, beats_per_s=exp(self.rng.uniform(np.log(0.7), np.log(6.0))))
        if canals:
            pattern = turned(pattern, self.rng)
        if rest:
            still = draw_pattern("dark nystagmus of a healthy person", self.rng).spontaneous_dps
            pattern = replace(pattern, spontaneous_dps=still)
        if self.spoilt == "sleepy":
            return sleepy(pattern, self.rng)
        return blinking(pattern, self.rng) if self.spoilt == "blinking" else pattern

    def seeing(self, about_s: float) -> dict[Eye, Seeing]:
        """Two cameras of one rate, each with its own errors."""
        rate_hz = float(self.rng.choice(self.rates_hz))
        draw = wide_seeing if self.other else draw_seeing
        eyes: dict[Eye, Seeing] = {eye: draw(self.rng, rate_hz) for eye in EYES}
        if self.spoilt != "slipping":
            return eyes
        slipped = slipping(eyes["right"], self.rng, about_s).slip  # the goggles: both eyes at once
        return {eye: replace(how, slip=slipped) for eye, how in eyes.items()}

    def led(
        self, procedure: str, pattern: Pattern, about_s: float = 110.0, **how: object
    ) -> tuple[Led, Result]:
        """Lead a procedure and analyse it."""
        return self.seen(procedure, pattern, self.seeing(about_s), **how)

    def seen(
        self, procedure: str, pattern: Pattern, seeing: Mapping[Eye, Seeing], **how: object
    ) -> tuple[Led, Result]:
        """The same with cameras that are given."""
        led = (lead_other if self.other else lead)(
            procedure_named(procedure),
            pattern,
            self.seed,
            seeing,
            **how,  # type: ignore[arg-type]
        )
        return led, led.result()


def turned(pattern: Pattern, rng: np.random.Generator) -> Pattern:
    """The same patient, whose canals lie elsewhere and whose eyes turn more or less easily torsionally."""
    turn = Rotation.from_rotvec(np.radians(rng.normal(0, 4.0, 3))).as_matrix()
    gain = rng.uniform(0.35, 0.65)
    mixed = np.diag([1, 1, gain]) @ turn @ np.diag([1, 1, 1 / TORSIONAL_GAIN])

    def own(velocity: Triple) -> Triple:
        h, v, t = (mixed @ np.array(velocity)).tolist()
        return h, v, t

    provoked: Mapping[str, tuple[Course, ...]] = {
        place: tuple(replace(course, peak_dps=own(course.peak_dps)) for course in courses)
        for place, courses in pattern.provoked.items()
    }
    return replace(pattern, spontaneous_dps=own(pattern.spontaneous_dps), provoked=provoked)


def directions(result: Result, key: str, step: str, slow_dps: Triple) -> bool | None:
    """Whether every direction printed for a step is true; None where the main axis was not measured."""
    main = int(np.argmax(np.abs(slow_dps)))
    found = [
        (AXES.index(f.axis or ""), f.direction)
        for f in result.findings
        if f.key == key and f.step == step and f.value is not None and f.direction
    ]
    if not any(axis == main for axis, _ in found):
        return None
    named = [(axis, word) for axis, word in found if abs(slow_dps[axis]) >= NAMED_SHARE * abs(slow_dps[main])]
    return all(word == WAYS[axis][int(slow_dps[axis] > 0)] for axis, word in named)


def saying(texts: tuple[str, ...], pattern: str) -> re.Match[str] | None:
    """The first match of a pattern in these texts."""
    return next((m for text in texts if (m := re.search(pattern, text))), None)


def outcome_of(
    printed: bool | None, named: bool, right: bool, said: tuple[str, ...], **more: bool
) -> Outcome:
    """Whether the printed directions are true (None: none was), a pattern was named, and it is right."""
    answered = printed is not None and named
    return Outcome(answered, answered and bool(printed) and right, said=" | ".join(said), **more)
