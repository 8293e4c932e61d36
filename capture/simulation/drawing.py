"""Invented patients and recordings drawn by chance, over ranges in which real ones lie.

Ranges from published values where they are named, else design choices that cover what a clinic meets:
positional peaks, time constants and durations Front Neurol 2020;11:260 (abstract) and von Brevern et al., J
Vestib Res 2015;25:105 (from memory); healthy nystagmus in the dark 1.1 +- 2.2 deg/s, 0 to 9.3 (clinical
reference 6.5, R 2, abstract); drift at 30 deg 0.62 +- 0.53 deg/s (Front Neurol 2020;11:547015, abstract).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from capture.samples import EYES, Eye
from capture.simulation.canals import Triple
from capture.simulation.patterns import (
    Course,
    Pattern,
    acute_loss,
    anterior_canal,
    apogeotropic,
    geotropic,
    person,
    perverted_head_shake,
    posterior_canal,
)
from capture.simulation.traces import Seeing, Slipped

Draw = Callable[[np.random.Generator], Pattern]
STEADY = Pattern(square_wave_jerks_per_min=0.0, wander_deg=0.0, blink_every_s=None)  # nothing left to chance


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    """Even on a scale of ratios, so that small values come as often as large ones."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _peak(rng: np.random.Generator, mean: float, sd: float, low: float, high: float) -> float:
    """Log-normal with this mean and standard deviation, within limits."""
    spread = np.log(1 + (sd / mean) ** 2)
    return float(np.clip(rng.lognormal(np.log(mean) - spread / 2, np.sqrt(spread)), low, high))


def _posterior(side: Eye) -> Draw:
    return lambda rng: posterior_canal(
        side, _peak(rng, 57, 38, 8, 150), rng.uniform(0.5, 8), rng.uniform(1, 5), _peak(rng, 4, 2, 2, 9)
    )


def _geotropic(side: Eye) -> Draw:
    return lambda rng: geotropic(
        side, _peak(rng, 114, 57, 15, 200), rng.uniform(0.25, 1.0), rng.uniform(4, 12), rng.uniform(0.2, 3)
    )


def _apogeotropic(side: Eye) -> Draw:
    return lambda rng: apogeotropic(side, _between(rng, 8, 60), rng.uniform(0.25, 1.0))


def _anterior(side: Eye) -> Draw:
    return lambda rng: anterior_canal(side, _between(rng, 6, 40))


def _slow_adduction(side: Eye) -> Draw:
    return lambda rng: Pattern(slow_adduction=side, adduction_slower=rng.uniform(1.6, 3.5))


def _loss(side: Eye) -> Draw:
    def draw(rng: np.random.Generator) -> Pattern:
        lost = replace(
            acute_loss(side, _between(rng, 3, 25)),
            in_light=rng.uniform(0.1, 0.5),
            alexander=rng.uniform(0.003, 0.02),
        )
        weak, strong = rng.uniform(0.5, 6), _between(rng, 10, 50)
        return person(lost, *((weak, strong) if side == "right" else (strong, weak)))

    return draw


def _healthy_in_the_dark(rng: np.random.Generator) -> Pattern:
    """About 3 of 10 people have some, horizontal more often than vertical, to either side."""
    speed = _peak(rng, 1.1, 2.2, 0.0, 9.3) if rng.random() < 0.31 else 0.0
    way = speed * rng.choice([-1.0, 1.0])
    axis: Triple = (way, 0.0, 0.0) if rng.random() < 0.55 else (0.0, way, 0.0)
    return person(Pattern(axis, in_light=0.0))


def _end_point(rng: np.random.Generator) -> Pattern:
    drift_dps = max(float(rng.normal(0.62, 0.53)), 0.1)
    return person(Pattern(integrator_tau_s=30 / drift_dps, rebound=0.1 * (rng.random() < 0.21)))


DRAWS: dict[str, Draw] = {
    "healthy": lambda rng: person(Pattern(), _between(rng, 10, 50), _between(rng, 10, 50)),
    **{f"{side} posterior canal": _posterior(side) for side in EYES},
    **{f"{side} horizontal canal, geotropic": _geotropic(side) for side in EYES},
    **{f"{side} horizontal canal, apogeotropic": _apogeotropic(side) for side in EYES},
    **{f"{side} anterior canal": _anterior(side) for side in EYES},
    **{f"acute loss on the {side}": _loss(side) for side in EYES},
    "loss on both sides": lambda rng: person(Pattern(), rng.uniform(0, 2.5), rng.uniform(0, 2.5)),
    "down-beat": lambda rng: Pattern((0.0, _between(rng, 3, 20), 0.0), in_light=rng.uniform(0.7, 1.0)),
    "gaze-evoked with rebound": lambda rng: Pattern(
        integrator_tau_s=rng.uniform(4, 12), rebound=rng.uniform(0.25, 0.5), in_light=rng.uniform(0.7, 1.0)
    ),
    **{f"slow adduction of the {side} eye": _slow_adduction(side) for side in EYES},
    "periodic alternation": lambda rng: Pattern(
        (_between(rng, 5, 30), 0.0, 0.0), in_light=rng.uniform(0.7, 1.0), half_period_s=rng.uniform(80, 120)
    ),
    "perverted head-shake": lambda rng: perverted_head_shake(_between(rng, 6, 30)),
    "dark nystagmus of a healthy person": _healthy_in_the_dark,
    "end-point nystagmus of a healthy person": _end_point,
}


def draw_pattern(name: str, rng: np.random.Generator) -> Pattern:
    """One patient of a kind in `DRAWS`, with habits of their own.

    Raises ValueError for a kind that there is not.
    """
    if name not in DRAWS:
        raise ValueError(f"name must be one of {', '.join(DRAWS)}, got {name!r}")
    return replace(
        DRAWS[name](rng),
        square_wave_jerks_per_min=rng.uniform(0, 9),  # more than 9 a minute are abnormal in the young (R 45)
        beats_per_s=_between(rng, 1.2, 4.5),
        variation=rng.uniform(0.08, 0.25),
        wander_deg=rng.uniform(0.03, 0.15),
        blink_every_s=_between(rng, 2.5, 8),
    )


def draw_seeing(rng: np.random.Generator, rate_hz: float = 250.0) -> Seeing:
    """A usual recording: noise of 0.05 to 0.2 deg, and what a good calibration leaves of gain and skew."""
    noise = rng.uniform(0.05, 0.2)
    gain = tuple(rng.normal(1.0, 0.02, 3).tolist())
    return Seeing(
        rate_hz=rate_hz,
        noise_deg=(noise, noise, 1.5 * noise),
        falling_noise_deg=rng.uniform(0.0, 0.1),
        gain=(gain[0], gain[1], gain[2]),
        roll_deg=rng.uniform(-2, 2),
        cross_talk=rng.uniform(-0.03, 0.03),
        jitter_s=rng.uniform(0, 0.1) / rate_hz,
        lost_share=rng.uniform(0, 0.01),
    )


def sleepy(pattern: Pattern, rng: np.random.Generator) -> Pattern:
    """The same patient, falling asleep from time to time."""
    return replace(pattern, sleepiness=rng.uniform(0.5, 0.8), wander_deg=2 * pattern.wander_deg)


def blinking(pattern: Pattern, rng: np.random.Generator) -> Pattern:
    """The same patient, blinking 30 to 45 times a minute."""
    return replace(pattern, blink_every_s=rng.uniform(1.3, 2.0))


def slipping(seeing: Seeing, rng: np.random.Generator, end_s: float) -> Seeing:
    """The same recording, with goggles that move once by 1 to 4 deg."""
    way = rng.uniform(0, 2 * np.pi)
    size = rng.uniform(1, 4)
    shift = (float(size * np.cos(way)), float(size * np.sin(way)), float(rng.normal(0, 0.5)))
    return replace(seeing, slip=Slipped(float(rng.uniform(0.2, 0.8) * end_s), shift))


def spontaneous(velocity_dps: Triple, variation: float = 0.15) -> Pattern:
    """A nystagmus of known velocity that never changes, of an eye that does nothing else."""
    return replace(STEADY, spontaneous_dps=velocity_dps, in_light=1.0, beats_per_s=2.5, variation=variation)


def look_alike(course: Course, places: tuple[str, ...]) -> Pattern:
    """The same nystagmus in each of these places, as no canal gives it."""
    return Pattern(provoked=dict.fromkeys(places, (course,)), in_light=0.9)
