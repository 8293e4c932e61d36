"""What drives the eyes of an invented patient: patterns of nystagmus as values.

Slow-phase velocities are horizontal, vertical, torsional by the one sign rule; quick phases go the other way.
Sizes are invented within published ranges: peak of posterior canal 57 +- 38 deg/s, of horizontal canal
114 +- 57, time constants of 3.7 to 4.5 s and 7.3 to 14.8 s (Front Neurol 2020;11:260, abstract).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import exp, inf, log

from capture.samples import EYES, Eye
from capture.simulation.canals import Triple, loss_of, slow_phase, with_peak

STILL: Triple = (0.0, 0.0, 0.0)
OTHER: dict[Eye, Eye] = {"right": "left", "left": "right"}
ENDS_BELOW_DPS = 1.0  # a slower slow phase ends a run of nystagmus

# Steps that bring the head into one and the same place, by the words of the steps' keys.
PLACES: dict[str, tuple[str, ...]] = {
    "hanging right": ("right ear down", "lying on the right side"),
    "hanging left": ("left ear down", "lying on the left side"),
    "turned right": ("roll to the right", "head right", "body right"),
    "turned left": ("roll to the left", "head left", "body left"),
    "hanging straight": ("head hanging",),
    "lying": ("lying down", "supine"),
    "bowed": ("bow",),
    "leaned": ("lean",),
    "up": ("sitting up",),
}


# Steps that go on with what the step before them began.
GOES_ON = ("response", "fixation", "after")


def place_of(position: str) -> str:
    """The place of the head that a step's key names; the key itself where it names none of `PLACES`."""
    return next((place for place, keys in PLACES.items() if position in keys), position)


@dataclass(frozen=True, slots=True)
class Course:
    """A nystagmus that comes after a while, grows evenly, and fades; velocity in closed form."""

    peak_dps: Triple
    latency_s: float = 2.0  # since the position was reached
    rise_s: float = 2.0
    tau_s: float = 4.0  # of the decline from the peak; infinity: it goes on

    def share(self, since_s: float) -> float:
        """Share of the peak, 0 to 1, at a time since the position was reached."""
        after_s = since_s - self.latency_s
        if after_s <= 0:
            return 0.0
        if after_s < self.rise_s:
            return after_s / self.rise_s
        return exp(-(after_s - self.rise_s) / self.tau_s)

    def lasts_s(self, axis: int, share: float = 1.0) -> float:
        """From its beginning until this axis, at a share of its velocity, is slower than 1 deg/s."""
        peak = share * abs(self.peak_dps[axis])
        return self.rise_s + self.tau_s * log(peak / ENDS_BELOW_DPS) if peak > ENDS_BELOW_DPS else 0.0


@dataclass(frozen=True, slots=True)
class Pattern:
    """All that moves the eyes but the will to look somewhere."""

    spontaneous_dps: Triple = STILL  # in the dark, looking straight ahead
    in_light: float = 0.1  # share of every nystagmus that is left while the patient sees something
    alexander: float = 0.0  # growth, as a share, for each degree of gaze toward the quick phase
    provoked: Mapping[str, tuple[Course, ...]] = field(default_factory=dict)  # by the place of the head
    fatigue: float = 1.0  # factor on what a place provokes, each time that it is reached again
    integrator_tau_s: float = inf  # with which an eye that is held aside drifts back
    rebound: float = 0.0  # share of the eccentricity that the resting place moves to in the long run
    half_period_s: float = inf  # after which the spontaneous nystagmus turns round (periodic alternation)
    slow_adduction: Eye | None = None  # eye whose adduction is slow (internuclear ophthalmoplegia)
    adduction_slower: float = 2.0  # factor on the duration of its adducting saccades
    square_wave_jerks_per_min: float = 2.0
    beats_per_s: float = 2.5  # at 20 deg/s; faster slow phases beat more often
    variation: float = 0.15  # of intervals and velocities from beat to beat, standard deviation as a share
    wander_deg: float = 0.08  # slow drift of the whole eye about its place, standard deviation
    blink_every_s: float | None = 4.0
    sleepiness: float = 0.0  # 0 awake to 1: slow phases fade and lids sink from time to time


def posterior_canal(
    side: Eye, peak_dps: float = 45.0, latency_s: float = 3.0, rise_s: float = 2.5, tau_s: float = 4.0
) -> Pattern:
    """Free debris in a posterior canal: up-beating and torsional with that ear down, reversed on rising."""
    direction = slow_phase({(side, "posterior"): 1.0})
    back = (-direction[0], -direction[1], -direction[2])
    return _canalolithiasis(
        {
            f"hanging {side}": Course(with_peak(direction, peak_dps), latency_s, rise_s, tau_s),
            f"up after hanging {side}": Course(with_peak(back, 0.3 * peak_dps), 1.5, 1.5, tau_s),
        }
    )


def anterior_canal(side: Eye, peak_dps: float = 20.0) -> Pattern:
    """Free debris in an anterior canal: down-beating and torsional when the head hangs, to either side."""
    direction = with_peak(slow_phase({(side, "anterior"): 1.0}), peak_dps)
    places = ("hanging right", "hanging left", "hanging straight")
    return _canalolithiasis({place: Course(direction, 1.5, 1.5, 6.0) for place in places})


def geotropic(
    side: Eye, peak_dps: float = 110.0, weaker: float = 0.45, tau_s: float = 7.0, latency_s: float = 1.0
) -> Pattern:
    """Free debris in a horizontal canal: toward the lower ear on both sides, faster with this ear down."""
    toward = slow_phase({(side, "horizontal"): 1.0})
    away = slow_phase({(side, "horizontal"): -1.0})
    return _canalolithiasis(
        {
            f"turned {side}": Course(with_peak(toward, peak_dps), latency_s, 3.0, tau_s),
            f"turned {OTHER[side]}": Course(
                with_peak(away, weaker * peak_dps), 1.5 * latency_s, 3.0, 1.3 * tau_s
            ),
            "lying": Course(with_peak(away, 0.3 * peak_dps), latency_s, 2.0, tau_s),
            "bowed": Course(with_peak(toward, 0.3 * peak_dps), latency_s, 2.0, tau_s),
            "leaned": Course(with_peak(away, 0.2 * peak_dps), latency_s, 2.0, tau_s),
        }
    )


def apogeotropic(side: Eye, peak_dps: float = 30.0, weaker: float = 0.4) -> Pattern:
    """Debris on the cupula of a horizontal canal: toward the upper ear, weaker with this one down; stays."""
    toward = slow_phase({(side, "horizontal"): 1.0})
    away = slow_phase({(side, "horizontal"): -1.0})
    courses = {
        f"turned {OTHER[side]}": Course(with_peak(toward, peak_dps), 0.3, 1.0, inf),
        f"turned {side}": Course(with_peak(away, weaker * peak_dps), 0.3, 1.0, inf),
        "lying": Course(with_peak(toward, 0.2 * peak_dps), 0.3, 1.0, inf),
        "bowed": Course(with_peak(away, 0.3 * peak_dps), 0.3, 1.0, inf),
        "leaned": Course(with_peak(toward, 0.3 * peak_dps), 0.3, 1.0, inf),
    }
    return Pattern(provoked={place: (course,) for place, course in courses.items()}, in_light=0.5)


def _canalolithiasis(courses: Mapping[str, Course]) -> Pattern:
    return Pattern(
        provoked={place: (course,) for place, course in courses.items()}, fatigue=0.5, in_light=0.5
    )


def acute_loss(side: Eye, speed_dps: float = 12.0) -> Pattern:
    """One labyrinth lost of late: beats to the other side, more in that gaze, much less in light."""
    spontaneous = with_peak(loss_of(side), speed_dps)
    shaken = Course(with_peak(loss_of(side), 0.8 * speed_dps), 0.2, 0.5, 10.0)
    return Pattern(spontaneous, in_light=0.25, alexander=0.015, provoked={"after head shaking": (shaken,)})


def perverted_head_shake(speed_dps: float) -> Pattern:
    """Shaking the head from side to side is followed by a down-beating nystagmus."""
    return Pattern(provoked={"after head shaking": (Course((0.0, speed_dps, 0.0), 0.2, 0.5, 8.0),)})


def irrigations(right_dps: float = 25.0, left_dps: float = 25.0) -> dict[str, tuple[Course, ...]]:
    """Caloric responses of both ears: warm excites the horizontal canal of that ear, cool inhibits it."""
    courses = {}
    for side, peak_dps in zip(EYES, (right_dps, left_dps), strict=True):
        for temperature, sign in (("warm", 1.0), ("cool", -1.0)):
            direction = with_peak(slow_phase({(side, "horizontal"): sign}), peak_dps)
            courses[f"{side} {temperature} irrigation"] = (Course(direction, 15.0, 45.0, 40.0),)
    return courses


def person(pattern: Pattern, right_dps: float = 25.0, left_dps: float = 25.0) -> Pattern:
    """The same, with ears that answer to irrigations."""
    return replace(pattern, provoked={**irrigations(right_dps, left_dps), **pattern.provoked})


WEAK_DPS = 1.0  # peak of the response of an ear that hardly answers


def _weak(side: Eye) -> tuple[float, float]:
    return (WEAK_DPS, 25.0) if side == "right" else (25.0, WEAK_DPS)


PATTERNS: dict[str, Pattern] = {
    "healthy": person(Pattern()),
    **{f"{side} posterior canal": person(posterior_canal(side)) for side in EYES},
    **{f"{side} horizontal canal, geotropic": person(geotropic(side)) for side in EYES},
    **{f"{side} horizontal canal, apogeotropic": person(apogeotropic(side)) for side in EYES},
    **{f"acute loss on the {side}": person(acute_loss(side), *_weak(side)) for side in EYES},
    **{f"{side} anterior canal": person(anterior_canal(side)) for side in EYES},
    "loss on both sides": person(Pattern(), WEAK_DPS, WEAK_DPS),
    "down-beat": person(Pattern((0.0, 8.0, 0.0), in_light=0.9, alexander=0.005)),
    "gaze-evoked with rebound": person(Pattern(integrator_tau_s=9.0, rebound=0.4, in_light=0.8)),
    **{f"slow adduction of the {side} eye": person(Pattern(slow_adduction=side)) for side in EYES},
    "periodic alternation": person(Pattern((10.0, 0.0, 0.0), in_light=0.9, half_period_s=105.0)),
    "perverted head-shake": person(perverted_head_shake(12.0)),
    "dark nystagmus of a healthy person": person(Pattern((0.0, 2.0, 0.0), in_light=0.0)),
    "end-point nystagmus of a healthy person": person(Pattern(integrator_tau_s=45.0)),
}
