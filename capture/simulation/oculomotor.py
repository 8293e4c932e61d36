"""Eyes that move by what drives them, moment by moment: pieces of slow movement and quick phases end to end.

Only what is known at a moment decides what comes after it, so the same eyes answer a technician live and lay
down an hour for a test within a second. A slow piece is a parabola, so that a velocity which changes evenly
is exact; quick phases are those of `capture.simulation.movement`.
"""

from __future__ import annotations

import random
from math import cos, exp, hypot, inf, log, pi
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from capture.samples import AXES, EYES, Eye
from capture.simulation.canals import Triple
from capture.simulation.eye_behaviour import LATENCY_S, MICROSACCADES_PER_S, SLOWEST_DPS, SMALLEST_QUICK_DEG
from capture.simulation.movement import DIRECTIONS, TrueBeat, quick_duration_s
from capture.simulation.patterns import GOES_ON, STILL, Course, Pattern, place_of
from capture.simulation.pieces import Pieces

Floats = NDArray[np.float64]
PIECE_S = 0.1  # longest piece of slow movement that one decision lays down
FASTEST_BEATS_PER_S, SMALLEST_BEAT_DEG, LARGEST_BEAT_DEG = 6.0, 0.5, 25.0
LONGEST_SLOW_S = 2.0
REBOUND_S = 12.0  # time constant with which the resting place follows a gaze that is held
SLEEPY_PERIOD_S = 40.0
TONES = 8  # sines that make the wander of one axis
WANDER_HZ = (0.05, 0.6)  # so that its velocity stays within a few tenths of a degree a second
SPANS = 16  # places along a slow phase at which its true slope is taken


class Reached(NamedTuple):
    """A place of the head, when it was reached, and what it provokes."""

    place: str
    at_s: float
    courses: tuple[Course, ...]
    share: float  # of the courses' velocities, less where the place was reached before


class _Beat(NamedTuple):
    slow_start_s: float
    slow_end_s: float
    quick_end_s: float
    amplitude_deg: Triple


class Oculomotor:
    """The eyes of one person. Times in seconds from any zero, never backwards.

    `keep`: all of the movement, else the last 30 s.
    """

    def __init__(self, pattern: Pattern, seed: int, start_s: float = 0.0, *, keep: bool = True) -> None:
        self.pattern, self.now_s = pattern, start_s
        self.light = True
        self.reached = Reached("", start_s, (), 1.0)
        self._start_s, self._pieces = start_s, Pieces(keep=keep)
        self._random = random.Random(seed)
        self._beats: list[_Beat] = []
        self._visits: dict[str, int] = {}
        self._last_place, self._quick_end_s = "", start_s
        self._at, self._place = STILL, STILL
        self._saccade_s, self._exact = inf, False  # when the next saccade is due; whether it lands there
        self._micro_s = self._jerk_s = start_s
        self._jerk_back: Triple | None = None
        self._slow_from_s = -1.0  # beginning of the slow phase that goes on; negative: none does
        self._slow_factor, self._speed_factor = 1.0, 1.0
        self._resting_deg = 0.0
        rng = np.random.default_rng([seed, 41])
        self._tones_hz = np.exp(rng.uniform(log(WANDER_HZ[0]), log(WANDER_HZ[1]), (TONES, 3)))
        self._phases = rng.uniform(0, 2 * pi, (TONES, 3))
        self._sleepy_phase = float(rng.uniform(0, 2 * pi))
        self._plan_still()

    def look(self, horizontal_deg: float, vertical_deg: float) -> None:
        """Look there from now on: a saccade after its latency, and a corrective one."""
        place = (horizontal_deg, vertical_deg, 0.0)
        if place != self._place:
            self._place = place
            self._saccade_s = self.now_s + LATENCY_S * self._random.lognormvariate(0, 0.12)
            self._exact = False

    def reach(self, position: str, at_s: float) -> Reached:
        """The head comes to a place at `at_s`: a step's key, or "" for on the way."""
        if position in GOES_ON:
            return self.reached
        place = place_of(position)
        if place == "up":
            place = f"up after {self._last_place}"
        if place:
            self._last_place = place
        courses = self.pattern.provoked.get(place, ())
        before = self._visits.get(place, 0)
        self._visits[place] = before + bool(courses)
        self.reached = Reached(place, at_s, courses, self.pattern.fatigue**before)
        return self.reached

    def advance(self, until_s: float) -> None:
        """Lay down the movement at least until then."""
        while self.now_s < until_s:
            self._decide()

    def gaze_deg(self, time_s: ArrayLike, eye: Eye) -> Floats:
        """(n, 3) where an eye points at times (n,) that were laid down already, wander included."""
        time = np.atleast_1d(np.asarray(time_s, dtype=np.float64))
        return self._pieces.place_deg(time, eye) + self.wander_deg(time)

    def wander_deg(self, time_s: Floats) -> Floats:
        """(n, 3) slow drift about the place, at any times (n,)."""
        angle = 2 * pi * self._tones_hz * (time_s - self._start_s)[:, None, None] + self._phases
        return self.pattern.wander_deg * np.sqrt(2 / TONES) * np.sin(angle).sum(axis=1)

    def true_beats(self, eye: Eye = "right") -> tuple[TrueBeat, ...]:
        """Beats as they were, with the slopes that their slow phases really had, wander included."""
        if not self._beats:
            return ()
        starts, ends = (np.array([b[k] for b in self._beats]) for k in (0, 1))
        share = (np.arange(SPANS) + 0.5) / SPANS
        time = starts[:, None] + share * (ends - starts)[:, None]
        gaze = self.gaze_deg(time.ravel(), eye).reshape(-1, SPANS, 3)
        away = (share - 0.5) * (ends - starts)[:, None]
        slope = np.einsum("bs,bsk->bk", away, gaze) / (away**2).sum(axis=1)[:, None]
        return tuple(_true_beat(beat, v) for beat, v in zip(self._beats, slope.tolist(), strict=True))

    def drive_dps(self, time_s: float, gaze_deg: Triple = STILL) -> Triple:
        """Velocity of the slow phase that the pattern asks for, without variation from beat to beat."""
        h, v, t = self.pattern.spontaneous_dps
        if self.pattern.half_period_s < inf:
            turned = cos(pi * (time_s - self._start_s) / self.pattern.half_period_s)
            h, v, t = h * turned, v * turned, t * turned
        if self.pattern.alexander and (speed := hypot(h, v)) > 0:
            toward = -(h * gaze_deg[0] + v * gaze_deg[1]) / speed
            factor = max(1 + self.pattern.alexander * toward, 0.0)
            h, v, t = h * factor, v * factor, t * factor
        for course in self.reached.courses:
            share = self.reached.share * course.share(time_s - self.reached.at_s)
            ph, pv, pt = course.peak_dps
            h, v, t = h + share * ph, v + share * pv, t + share * pt
        h -= (gaze_deg[0] - self._resting_deg) / self.pattern.integrator_tau_s
        left = self.pattern.in_light if self.light else 1.0
        if self.pattern.sleepiness:
            left *= float(self.alertness(np.array(time_s)))
        return left * h, left * v, left * t

    def alertness(self, time_s: Floats) -> Floats:
        """1 awake, less when sleepy, at any times."""
        angle = 2 * pi * (time_s - self._start_s) / SLEEPY_PERIOD_S + self._sleepy_phase
        return 1 - self.pattern.sleepiness * (0.5 - 0.5 * np.cos(angle))

    def _decide(self) -> None:
        """Lay down the next piece."""
        if self.now_s >= self._saccade_s:
            self._to_place()
            return
        drive = self.drive_dps(self.now_s, self._at)
        if hypot(*drive) < SLOWEST_DPS:
            self._slow_from_s = -1.0
            self._stay(drive)
        else:
            self._beat(drive)

    def _to_place(self) -> None:
        """The saccade that is due, to where the eye should look; the first falls a little short."""
        away = _less(self._place, self._at)
        short = 0.0 if self._exact else self._random.uniform(0.0, 0.1)
        self._saccade_s = inf
        if hypot(*away) >= 0.3:
            self._quick(_times(1 - short, away))
            if short * hypot(*away) > 0.4:
                self._saccade_s, self._exact = self.now_s + self._random.uniform(0.13, 0.18), True
        self._slow_from_s, self._jerk_back = -1.0, None
        self._plan_still()

    def _plan_still(self) -> None:
        often = MICROSACCADES_PER_S * (1.0 if self.light else 0.3)
        self._micro_s = self.now_s + self._random.expovariate(often)
        self._jerk_s = self.now_s + self._random.expovariate(
            max(self.pattern.square_wave_jerks_per_min / 60, 1e-9)
        )

    def _stay(self, drive: Triple) -> None:
        """Fixation saccades and square-wave jerks about the place, else a piece of rest."""
        if self.now_s >= self._jerk_s:
            self._jerk()
        elif self.now_s >= self._micro_s:
            off = (self._random.gauss(0, 0.12), self._random.gauss(0, 0.12), 0.0)
            self._quick(_plus(_less(self._place, self._at), off))
            self._plan_still()
        else:
            next_s = min(self._micro_s, self._jerk_s, self._saccade_s, self._piece_end_s())
            self._slow(max(next_s - self.now_s, 1e-3), drive, 1.0)

    def _jerk(self) -> None:
        """There, and 0.2 s later back (0.5 to 5 deg, interval about 200 ms: clinical reference 1.7)."""
        if self._jerk_back is None:
            size = self._random.choice((-1.0, 1.0)) * self._random.uniform(0.5, 2.5)
            self._jerk_back = (-size, 0.0, 0.0)
            self._quick((size, 0.0, 0.0))
            self._jerk_s = self.now_s + self._random.gauss(0.2, 0.03)
            self._micro_s = inf
        else:
            self._quick(self._jerk_back)
            self._jerk_back = None
            self._plan_still()

    def _beat(self, drive: Triple) -> None:
        """A piece of slow phase, or the quick phase that ends it."""
        if self._slow_from_s < 0:
            self._slow_from_s = self.now_s
            varied = self.pattern.variation
            self._slow_factor = self._random.lognormvariate(0, varied)
            self._speed_factor = max(0.3, 1 + varied * self._random.gauss(0, 1))
        velocity = _times(self._speed_factor, drive)
        speed = hypot(*velocity)
        usual_s = self._usual_slow_s(speed)
        land = self._landing(velocity, usual_s)
        behind_deg = _dot(_less(self._at, land), velocity) / speed
        left_s = max(
            self._slow_from_s + self._slow_factor * usual_s - self.now_s,
            (SMALLEST_QUICK_DEG - behind_deg) / speed,
        )
        if left_s > 1e-4:
            longest_s = min(self._piece_end_s(), max(self._saccade_s, self.now_s + 1e-3)) - self.now_s
            self._slow(min(left_s, longest_s), drive, self._speed_factor)
        else:
            start_s = self.now_s
            amplitude = _less(land, self._at)
            self._quick(amplitude)
            self._beats.append(_Beat(self._slow_from_s, start_s, self._quick_end_s, amplitude))
            self._slow_from_s = -1.0

    def _piece_end_s(self) -> float:
        """When a piece ends at the latest: also where a course begins or peaks, for its velocity bends."""
        ends = [self.now_s + PIECE_S]
        for course in self.reached.courses:
            begins_s = self.reached.at_s + course.latency_s
            ends += [s for s in (begins_s, begins_s + course.rise_s) if s > self.now_s + 1e-4]
        return min(ends)

    def _usual_slow_s(self, speed_dps: float) -> float:
        """Usual length of a slow phase at this speed."""
        often = min(self.pattern.beats_per_s * (speed_dps / 20) ** 0.3, FASTEST_BEATS_PER_S)
        within = max(1 / often - 0.05, SMALLEST_BEAT_DEG / speed_dps)
        return min(within, LARGEST_BEAT_DEG / speed_dps, LONGEST_SLOW_S)

    def _landing(self, velocity: Triple, usual_s: float) -> Triple:
        """On the target while the patient sees it, else half a slow phase before the place."""
        lead_s = 0.0 if self.light else 0.5 * usual_s * self._slow_factor
        return _less(self._place, _times(lead_s, velocity))

    def _slow(self, lasts_s: float, drive: Triple, factor: float) -> None:
        first = _times(factor, drive)
        guess = _plus(self._at, _times(lasts_s, first))
        second = _times(factor, self.drive_dps(self.now_s + lasts_s, guess))
        self._pieces.slow(self.now_s, self._at, first, second, lasts_s)
        self._at = _plus(self._at, _times(lasts_s / 2, _plus(first, second)))
        if self.pattern.rebound:
            wanted = self.pattern.rebound * self._at[0]
            self._resting_deg += (wanted - self._resting_deg) * (1 - exp(-lasts_s / REBOUND_S))
        self.now_s += lasts_s

    def _quick(self, amplitude: Triple) -> None:
        lasts_s = quick_duration_s(np.array(amplitude))
        slow_s = dict.fromkeys(EYES, lasts_s)
        adducting: Eye = "right" if amplitude[0] < 0 else "left"  # the right eye adducts to the left
        if adducting == self.pattern.slow_adduction:
            slow_s[adducting] *= self.pattern.adduction_slower
        self._quick_end_s = self.now_s + lasts_s
        self._pieces.quick(self.now_s, self._at, amplitude, tuple(slow_s.values()))
        self._at = _plus(self._at, amplitude)
        self.now_s += max(slow_s.values())


def _plus(a: Triple, b: Triple) -> Triple:
    return a[0] + b[0], a[1] + b[1], a[2] + b[2]


def _less(a: Triple, b: Triple) -> Triple:
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]


def _times(factor: float, a: Triple) -> Triple:
    return factor * a[0], factor * a[1], factor * a[2]


def _dot(a: Triple, b: Triple) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def _true_beat(beat: _Beat, velocity: list[float]) -> TrueBeat:
    main = max(range(3), key=lambda axis: abs(velocity[axis]))
    return TrueBeat(
        beat.slow_start_s,
        beat.slow_end_s,
        beat.slow_end_s,
        beat.quick_end_s,
        (velocity[0], velocity[1], velocity[2]),
        beat.amplitude_deg,
        AXES[main],
        DIRECTIONS[main][0 if velocity[main] < 0 else 1],
        False,
    )
