"""An invented patient who answers to how the head lies, what light there is and where to look.

    patient = RespondingPatient(PATTERNS["right posterior canal"], seed=1)
    patient.pose(Pose("right ear down", "dark"), now_s=12.0)
    patient.state("right", 15.2)    # what a camera sees then; times go forward
    patient.log                     # what is true of each place that was reached

What is told at a time holds from `REACTION_S` later, so a picture that a camera has taken ahead stays true,
and both eyes are one person's. A latency counts from when the place was told to be reached.
"""

from __future__ import annotations

import math
import threading
from typing import NamedTuple
from weakref import WeakValueDictionary

import numpy as np
from numpy.typing import NDArray

from capture.clock import Clock
from capture.paced import PacedSource
from capture.pose import Pose
from capture.samples import EYES, NAN, Eye, Frame
from capture.simulation.anatomy import draw_eye
from capture.simulation.blinks import BLINK_DIP_DEG, Blinks
from capture.simulation.camera import Camera
from capture.simulation.canals import Triple
from capture.simulation.empty import without_pupil
from capture.simulation.movement import DIRECTIONS, TrueBeat
from capture.simulation.oculomotor import Oculomotor, Reached
from capture.simulation.painter import EyeState, Painter
from capture.simulation.patterns import ENDS_BELOW_DPS, PATTERNS, Pattern
from capture.simulation.pupil_light import Widening
from capture.source import SourceInfo

REACTION_S = 0.1
EXPOSURE_S = 0.002
SLEEPY_LIDS = 0.5  # how far the lids sink of one who is fast asleep
HANDS = 8  # pictures of a hand over the eye, shown in turn


class TrueAnswer(NamedTuple):
    """What is true of a nystagmus that a place of the head provoked; horizontal, vertical, torsional."""

    place: str
    reached_s: float
    latency_s: float  # from there to its beginning
    duration_s: Triple  # from its beginning until the slow phase is slower than 1 deg/s; infinity: it goes on
    peak_dps: Triple  # slow-phase velocity, signed
    directions: tuple[str, str, str]  # of the quick phase; "" where an axis never reaches 1 deg/s


class RespondingPatient:
    """One person's two eyes. May be asked from the threads of two cameras."""

    def __init__(self, pattern: Pattern, seed: int, start_s: float = 0.0, *, keep: bool = False) -> None:
        """`keep`: all of the movement for `true_beats`, else only the last seconds."""
        self.seed, self.start_s = seed, start_s
        self.eyes = Oculomotor(pattern, seed, start_s, keep=keep)
        self.anatomy = {eye: draw_eye(seed, eye) for eye in EYES}
        self._blinks = Blinks(np.random.default_rng([seed, 43]), pattern.blink_every_s, start_s)
        self._widening = Widening("light")
        self._pose, self._told = Pose(), list[tuple[float, Pose]]()
        self._reached: list[Reached] = []
        self._lock = threading.Lock()

    def pose(self, pose: Pose, now_s: float) -> None:
        """Take a pose from `now_s` on; both cameras may tell the same one."""
        with self._lock:
            self._told.append((now_s, pose))

    def state(self, eye: Eye, time_s: float) -> EyeState | None:
        """What a picture of this eye shows, exposed about `time_s`; None while a hand covers it."""
        edges_s = np.array([time_s - EXPOSURE_S / 2, time_s, time_s + EXPOSURE_S / 2])
        with self._lock:
            self._live_until(float(edges_s[2]))
            now = np.array([time_s])
            shut = float(self._blinks.closure(now)[0])
            opening = float(self._opening(now)[0])
            before, gaze, after = self.eyes.gaze_deg(edges_s, eye)
            h, v, t = gaze + shut * np.array(BLINK_DIP_DEG)
            smear = after - before
            anatomy = self.anatomy[eye]
            wide = self._widening.at(time_s)
            if self._pose.covered == eye:
                return None
        pupil_mm = anatomy.pupil_light_mm + wide * (anatomy.pupil_dark_mm - anatomy.pupil_light_mm)
        return EyeState(
            h, v, t, pupil_mm, opening, smear_horizontal_deg=smear[0], smear_vertical_deg=smear[1]
        )

    def lids(self, time_s: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Closure by blinks (n,) and opening (n,) of the lids at times (n,) that do not go back; 0 to 1."""
        with self._lock:
            return self._blinks.closure(time_s), self._opening(time_s)

    def _opening(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        sunk = SLEEPY_LIDS * (1 - self.eyes.alertness(time_s))
        return (1 - self._blinks.closure(time_s)) * (1 - sunk)

    def true_beats(self) -> tuple[TrueBeat, ...]:
        """Beats so far, of a patient who was made to `keep` them; those that blinks hide are marked."""
        with self._lock:
            beats = self.eyes.true_beats()
            blinks = self._blinks.until(self.eyes.now_s)
        starts, ends = (np.array([b[k] for b in blinks]) for k in (0, 3))
        return tuple(beat._replace(in_blink=_is_hidden(beat, starts, ends)) for beat in beats)

    @property
    def log(self) -> tuple[TrueAnswer, ...]:
        """What is true of each place that provoked something, in order of time."""
        with self._lock:
            return tuple(a for reached in self._reached for a in _answers(reached))

    def live_until(self, time_s: float) -> None:
        """Lay down the movement until then, with what was told so far."""
        with self._lock:
            self._live_until(time_s)

    def _live_until(self, time_s: float) -> None:
        while self._told and self._told[0][0] + REACTION_S <= time_s:
            told_s, pose = self._told.pop(0)
            self.eyes.advance(told_s + REACTION_S)
            self._take(pose, told_s)
        self.eyes.advance(time_s)

    def _take(self, pose: Pose, told_s: float) -> None:
        before, self._pose = self._pose, pose
        if pose.light != before.light:
            self._widening.change(pose.light, self.eyes.now_s)
            self.eyes.light = pose.light != "dark"
        if pose.position != before.position:
            reached = self.eyes.reach(pose.position, max(told_s, self.start_s))
            if reached not in self._reached[-1:]:  # else it goes on
                self._reached.append(reached)
        self.eyes.look(*pose.looks_at_deg)


def _is_hidden(beat: TrueBeat, starts_s: NDArray[np.float64], ends_s: NDArray[np.float64]) -> bool:
    """Whether a blink hides its quick phase or most of its slow phase."""
    if not starts_s.size:
        return False
    covered_s = np.minimum(ends_s, beat.slow_end_s) - np.maximum(starts_s, beat.slow_start_s)
    most = np.clip(covered_s, 0, None).sum() > 0.5 * (beat.slow_end_s - beat.slow_start_s)
    return bool(most or ((starts_s < beat.quick_end_s) & (ends_s > beat.quick_start_s)).any())


def _answers(reached: Reached) -> list[TrueAnswer]:
    found = []
    for course in reached.courses:
        h, v, t = (reached.share * peak for peak in course.peak_dps)
        words = tuple(
            "" if abs(peak) < ENDS_BELOW_DPS else DIRECTIONS[axis][0 if peak < 0 else 1]
            for axis, peak in enumerate((h, v, t))
        )
        lasts = tuple(course.lasts_s(axis, reached.share) for axis in range(3))
        found.append(
            TrueAnswer(
                reached.place,
                reached.at_s,
                course.latency_s,
                (lasts[0], lasts[1], lasts[2]),
                (h, v, t),
                (words[0], words[1], words[2]),
            )
        )
    return found


class RespondingSource:
    """Pictures of one eye of a responding patient, painted when they are asked for."""

    def __init__(
        self, patient: RespondingPatient, eye: Eye, clock: Clock, rate_hz: float, camera: Camera
    ) -> None:
        """Begins with the picture that is due at the first read by the clock's time."""
        self._patient, self._clock, self._rate_hz, self._camera = patient, clock, rate_hz, camera
        self._eye: Eye = eye
        self._painter = Painter(patient.anatomy[eye], camera)
        self._painter.image(
            EyeState(), 0
        )  # compiles what is not compiled yet, before the first picture is due
        self._hands: list[NDArray[np.uint8]] = []
        self._number, self._before, self._closed = -1, 0, False
        self.info = SourceInfo(f"simulated-{eye}", *camera.size_px, rate_hz, "measured", None)

    def read(self) -> Frame | None:
        """The next picture; None after `close`."""
        if self._closed:
            return None
        if self._number < 0:
            self._before = math.ceil(self._clock.now_s() * self._rate_hz)
        self._number += 1
        place = self._before + self._number
        time_s = place / self._rate_hz
        state = self._patient.state(self._eye, time_s)
        image = self._hand(place) if state is None else self._painter.image(state, place)
        image.setflags(write=False)
        return Frame(self._number, time_s, NAN, image)

    def pose(self, pose: Pose, now_s: float) -> None:
        """Tell the patient."""
        self._patient.pose(pose, now_s)

    def close(self) -> None:
        """Nothing to let go of: the next `read` answers None."""
        self._closed = True

    def _hand(self, place: int) -> NDArray[np.uint8]:
        if not self._hands:
            seeds = range(self._patient.seed, self._patient.seed + HANDS)
            self._hands = [without_pupil("skin", seed, self._camera, eye=self._eye) for seed in seeds]
        return self._hands[place % HANDS]


_PEOPLE: WeakValueDictionary[tuple[int, str], RespondingPatient] = WeakValueDictionary()


def responding_camera(eye: Eye, clock: Clock, pattern: str, rate_hz: float) -> PacedSource:
    """A live camera before an invented patient with one of `PATTERNS`.

    Cameras opened by the same clock and pattern, while one of them is open, see the same person.
    Raises ValueError for a pattern that there is not, or a rate that is not positive.
    """
    if pattern not in PATTERNS:
        raise ValueError(f"pattern must be one of {', '.join(PATTERNS)}, got {pattern!r}")
    if not rate_hz > 0:
        raise ValueError(f"rate_hz must be positive, got {rate_hz}")
    key = (id(clock), pattern)
    patient = _PEOPLE.get(key)
    if patient is None:
        patient = _PEOPLE[key] = RespondingPatient(PATTERNS[pattern], 1, clock.now_s())
    return PacedSource(RespondingSource(patient, eye, clock, rate_hz, Camera()), clock, same_clock=True)
