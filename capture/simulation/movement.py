"""How the simulated patient's gaze moves: slow and quick phases laid end to end, a thousand samples a second.

Quick phases and saccades follow the main sequence: peak velocity V = 551 (1 - exp(-A / 14)) deg/s for an
amplitude of A deg (Baloh et al., Neurology 1975;25:1065, as quoted in the clinical reference, 9.4), with the
minimum-jerk profile (Flash & Hogan, J Neurosci 1985;5:1688), whose peak is 1.875 times its mean velocity. The
duration then follows: 1.875 A / V. Counted above 30 deg/s, as durations are measured, it lies within 60 % of
2.2 A + 21 ms (Carpenter 1988, clinical reference 9.4 and 1.8) from 1 to 40 deg; no profile can obey both
formulas exactly, since below 4 deg their peak would be less than their mean.
"""

from __future__ import annotations

from math import ceil, exp
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from capture.samples import AXES

SAMPLE_RATE_HZ = 1000
TORSION_SLOWER = 0.5  # peak of a purely torsional quick phase against the main sequence (from memory)
PEAK_OVER_MEAN = 1.875  # of the minimum-jerk profile
DIRECTIONS = (("right", "left"), ("up", "down"), ("upper_pole_right", "upper_pole_left"))

Vector = NDArray[np.float64]  # (3,): horizontal, vertical, torsional
EventKind = Literal[
    "saccade", "corrective", "catch_up", "microsaccade", "quick_phase", "blink", "slip", "light_change"
]


class TrueEvent(NamedTuple):
    """Something that happened; seconds of the host's clock, degrees."""

    kind: EventKind
    start_s: float
    end_s: float
    horizontal_deg: float = 0.0
    vertical_deg: float = 0.0
    torsional_deg: float = 0.0


class TrueBeat(NamedTuple):
    """One beat as it really was; seconds of the host's clock. Velocities and amplitudes: h, v, t."""

    slow_start_s: float
    slow_end_s: float
    quick_start_s: float
    quick_end_s: float
    slow_phase_velocity_dps: tuple[float, float, float]  # slope of a straight line through the slow phase
    amplitude_deg: tuple[float, float, float]  # of the quick phase, signed
    axis: str  # of the largest absolute slow-phase velocity
    direction: str  # of the quick phase on that axis
    in_blink: bool  # a blink hides its quick phase or most of its slow phase


def peak_velocity_dps(amplitude_deg: Vector) -> float:
    """Peak of a quick phase (3,): the main sequence, less where it is torsional."""
    size = float(np.linalg.norm(amplitude_deg))
    torsion_share = float(amplitude_deg[2]) ** 2 / max(size**2, 1e-12)
    return 551 * (1 - exp(-size / 14)) * (1 - (1 - TORSION_SLOWER) * torsion_share)


def quick_duration_s(amplitude_deg: Vector) -> float:
    """How long a quick phase of this amplitude (3,) takes, first to last movement."""
    return PEAK_OVER_MEAN * float(np.linalg.norm(amplitude_deg)) / peak_velocity_dps(amplitude_deg)


def minimum_jerk(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of the way at a share 0..1 of the time."""
    s = np.clip(share, 0, 1)
    return s**3 * (10 - 15 * s + 6 * s * s)


class Beat(NamedTuple):
    """Sample numbers of one beat while the movement is laid down."""

    slow_start: int
    slow_end: int
    quick_end: int
    amplitude_deg: Vector


class Movement:
    """Lays a movement down from its start. Positions in degrees (3,), times in samples of 1 ms."""

    def __init__(self, duration_s: float, rng: np.random.Generator) -> None:
        self.rng = rng
        self.now = 0
        self.position = np.zeros(3)
        self.beats: list[Beat] = []
        self.events: list[TrueEvent] = []
        self._steps = np.zeros((round(duration_s * SAMPLE_RATE_HZ) + 1, 3))  # row k: from sample k to k + 1

    @property
    def now_s(self) -> float:
        """Where the movement has come to."""
        return self.now / SAMPLE_RATE_HZ

    def slow(self, until_s: float, velocity_dps: Vector | None = None) -> None:
        """Move evenly, or stay, until `until_s`."""
        end = min(round(until_s * SAMPLE_RATE_HZ), len(self._steps) - 1)
        if end <= self.now:
            return
        if velocity_dps is not None:
            self._steps[self.now : end] = velocity_dps / SAMPLE_RATE_HZ
            self.position = self.position + velocity_dps * (end - self.now) / SAMPLE_RATE_HZ
        self.now = end

    def quick(self, amplitude_deg: Vector, kind: EventKind) -> int:
        """Move fast by `amplitude_deg`; returns the sample at which that ends."""
        samples = quick_duration_s(amplitude_deg) * SAMPLE_RATE_HZ
        end = min(self.now + ceil(samples), len(self._steps) - 1)
        way = minimum_jerk(np.arange(end - self.now + 1) / samples)
        self._steps[self.now : end] = np.diff(way)[:, None] * amplitude_deg
        size = [float(value) for value in amplitude_deg]
        self.events.append(TrueEvent(kind, self.now_s, end / SAMPLE_RATE_HZ, *size))
        self.position = self.position + amplitude_deg * way[-1]
        self.now = end
        return end

    def beat(self, until_s: float, velocity_dps: Vector, land_deg: Vector) -> None:
        """One slow phase until `until_s`, then a quick phase that lands on `land_deg`."""
        start = self.now
        self.slow(until_s, velocity_dps)
        slow_end, amplitude = self.now, land_deg - self.position
        end = self.quick(amplitude, "quick_phase")
        self.beats.append(Beat(start, slow_end, end, amplitude))

    def positions(self) -> NDArray[np.float64]:
        """(n, 3) degrees at each sample."""
        out = np.zeros_like(self._steps)
        np.cumsum(self._steps[:-1], axis=0, out=out[1:])
        return out


def smooth_noise(
    rng: np.random.Generator, count: int, columns: int, time_constant_s: float
) -> NDArray[np.float64]:
    """(count, columns) wandering with deviation 1 that changes over about `time_constant_s`."""
    every = 20
    width = max(1.0, time_constant_s * SAMPLE_RATE_HZ / every)
    kernel = np.exp(-0.5 * (np.arange(-ceil(3 * width), ceil(3 * width) + 1) / width) ** 2)
    kernel /= np.sqrt((kernel**2).sum())
    knots = count // every + 2
    raw = rng.standard_normal((knots + kernel.size - 1, columns))
    places = np.arange(count) / every
    return np.stack(
        [
            np.interp(places, np.arange(float(knots)), np.convolve(raw[:, k], kernel, mode="valid").real)
            for k in range(columns)
        ],
        axis=1,
    )


def true_beats(
    beats: list[Beat], positions_deg: NDArray[np.float64], blinking: NDArray[np.bool_], start_s: float
) -> tuple[TrueBeat, ...]:
    """Beats with the slopes that `positions_deg` (n, 3) really had outside blinks."""
    return tuple(_true_beat(beat, positions_deg, blinking, start_s) for beat in beats)


def _true_beat(
    beat: Beat, positions_deg: NDArray[np.float64], blinking: NDArray[np.bool_], start_s: float
) -> TrueBeat:
    slow = slice(beat.slow_start, beat.slow_end + 1)
    seconds = np.arange(beat.slow_start, beat.slow_end + 1) / SAMPLE_RATE_HZ
    seconds = seconds - seconds.mean()
    velocity = seconds @ positions_deg[slow] / (seconds @ seconds)
    main = int(np.argmax(np.abs(velocity)))
    hidden = blinking[slow].mean() > 0.5 or blinking[beat.slow_end : beat.quick_end + 1].any()
    slow_start, slow_end, quick_end = (
        start_s + k / SAMPLE_RATE_HZ for k in (beat.slow_start, beat.slow_end, beat.quick_end)
    )
    return TrueBeat(
        slow_start,
        slow_end,
        slow_end,
        quick_end,
        (float(velocity[0]), float(velocity[1]), float(velocity[2])),
        (float(beat.amplitude_deg[0]), float(beat.amplitude_deg[1]), float(beat.amplitude_deg[2])),
        AXES[main],
        DIRECTIONS[main][0 if velocity[main] < 0 else 1],
        bool(hidden),
    )
