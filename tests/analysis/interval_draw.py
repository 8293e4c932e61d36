"""The chance of one random case, and one measure of it beside its truth.

A case is drawn from its number alone: the patient, how often and how evenly the eyes beat, how they wander
and blink, the frame rate, and noise that is white, falls as 1/f and remembers itself for 0.02 to 2 s. Four
of seven are seen through a calibration that is wrong by what it states of itself, the others through an
exact one that states nothing. The truth is that of what drives the eyes: what varies from beat to beat and
what wanders about a mean of 0 is error, and belongs into the interval.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from math import inf, isfinite, log

import numpy as np
from scipy.signal import lfilter

from analysis.analyse import analyse_recording
from analysis.battery import procedure_named
from analysis.finding import Finding
from analysis.procedure import Result
from capture.calibration import Calibration, calibrate
from capture.calibration_error import motion_errors
from capture.profile import EyeView, MountGeometry
from capture.samples import AXES, Eye
from capture.simulation.canals import Triple
from capture.simulation.patterns import Pattern
from capture.simulation.traces import Seeing
from tests.analysis.led_patient import Led, lead
from tests.analysis.sawtooth import MadeRecording
from tests.capture.ray_traced_eye import EIGHT, SIZE_PX, THREE, RayTracedEye, exact_look, missed, said_at

NOISE_DEG = (0.05, 0.1, 0.2)  # white, of a sample; the other kinds are drawn as shares of it
RATES_HZ = (60.0, 100.0, 150.0, 250.0, 500.0)
WEIGHT = (1.0, 1.0, 1.5)  # torsion is noisier


@cache
def calibrations() -> tuple[Calibration, ...]:
    """Of four eyes that missed each target by 0.2 deg, two with eight and two with three targets."""
    made = []
    for seed, places in enumerate((EIGHT, EIGHT, THREE, THREE)):
        rng = np.random.default_rng(700 + seed)
        looked = missed(places, rng, 0.2)
        targets, rows = exact_look(RayTracedEye(temple=-1, azimuth_deg=15.0), looked, rng=rng)
        shown = said_at(targets, places)
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

    def led(
        self, procedure: str, pattern: Pattern, seconds: Mapping[str, float] | None = None, again: int = 0
    ) -> Led:
        """What one eye's camera recorded of a procedure, with a chance of its own for each number `again`."""
        noise, seed = self.noise_deg, self.number + 1_000_003 * again
        seen = Seeing(self.rate_hz, (noise, noise, WEIGHT[2] * noise), self.falling * self.noise_deg)
        led = lead(procedure_named(procedure), pattern, seed, {"right": seen}, seconds)
        return replace(led, recording=self.seen(led.recording))

    def seen(self, recording: MadeRecording) -> MadeRecording:
        """A recording through the calibration of this case, with noise that lasts."""
        for rows in recording.samples.values():
            turned = np.column_stack([rows[f"{name}_deg"] for name in AXES]) @ self.seen_as.T
            r = np.exp(-1 / (self.rate_hz * self.lasts_s))
            for axis, name in enumerate(AXES):
                fresh = self.rng.standard_normal(len(rows)) * np.sqrt(1 - r * r)
                lasting = np.asarray(lfilter([1.0], [1.0, -r], fresh))
                rows[f"{name}_deg"] = turned[:, axis] + self.lasting * WEIGHT[axis] * self.noise_deg * lasting
        if self.calibration is None:
            return recording
        calibrated: dict[Eye, Calibration] = dict.fromkeys(recording.samples, self.calibration)
        return replace(recording, calibrations=calibrated)  # type: ignore[arg-type]

    def judged(self, measure: str, pattern: str, truth: float, found: Finding | None) -> Judged:
        """A finding beside its truth."""
        value, interval = (found.value, found.interval) if found else (None, None)
        return Judged(measure, pattern, self.noise_deg, truth, value, interval)


def finding(
    result: Result, key: str, step: str = "", axis: str | None = None, eye: Eye | None = "right"
) -> Finding | None:
    """A finding of one eye, or of both together."""
    for f in result.findings:
        if f.key == key and (not step or f.step == step) and f.axis == axis and f.eye == eye:
            return f
    return None


def measured(led: Led) -> Result:
    """The result of a recording."""
    return analyse_recording(led.recording, 1960).results[0]  # type: ignore[arg-type]


def way_of(drawn: Drawn, speed_dps: float) -> Triple:
    """A direction in three axes by chance."""
    way = drawn.rng.standard_normal(3) * (1.0, 0.6, 0.5)
    h, v, t = (speed_dps * way / np.linalg.norm(way)).tolist()
    return h, v, t


def known(judged: Judged) -> bool:
    """Whether the case counts for coverage: answered, with ends that are numbers."""
    return judged.answered and isfinite(judged.half_width)
