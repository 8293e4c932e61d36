"""How the tests that need a stimulus screen are led: timing and targets exact enough to drive it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.procedure import Light, Question, Step
from capture.samples import Target

HELD = "sitting, head straight and held"
PHOTOSENSITIVE = Question(
    "photosensitive",
    "Seizures or migraine from flicker or stripes?",
    "Harding et al., Epilepsia 2005;46:1423-1425 (abstract)",
)


def _step(
    key: str,
    title: str,
    told: str,
    stimulus: str,
    seconds: float,
    measured: str,
    targets: tuple[Target, ...] = (),
    light: Light = "fixation",
) -> Step:
    return Step(
        key=key,
        title=title,
        instruction=told,
        light=light,
        posture=HELD,
        stimulus=stimulus,
        targets=targets,
        shortest_s=seconds,
        longest_s=seconds,
        measured=measured,
        action="Start the stimulus. Watch that the head does not move.",
    )


def random_steps(
    horizontal: bool, sizes_deg: Sequence[float], a_direction: int, seed: int, reach_deg: float = 15.0
) -> tuple[Target, ...]:
    """Targets that jump at random times (1.0 to 2.5 s) by random sizes, at least `a_direction` each way.

    Every jump stays within `reach_deg` of the centre, which caps them to what screen and goggles show. The
    same `seed` gives the same targets. Raises ValueError for a size beyond twice the reach.
    """
    if max(sizes_deg) > 2 * reach_deg:
        raise ValueError(f"sizes_deg must be at most {2 * reach_deg:g}, got {max(sizes_deg):g}")
    rng = np.random.default_rng(seed)
    jumps, at, now_s, targets = {1: 0, -1: 0}, 0.0, 0.0, []
    while True:
        until_s = now_s + float(rng.uniform(1.0, 2.5))
        targets.append(Target(now_s, until_s, *((at, 0.0) if horizontal else (0.0, at))))
        if min(jumps.values()) >= a_direction:
            return tuple(targets)
        able = [(way, size) for way in jumps for size in sizes_deg if abs(at + way * size) <= reach_deg]
        way, size = able[int(rng.integers(len(able)))]
        jumps[way] += 1
        at, now_s = round(at + way * size, 3), until_s


def sine_targets(
    amplitude_deg: float, frequency_hz: float, cycles: int, rate_hz: float = 60.0
) -> tuple[Target, ...]:
    """A target on a sine, one place a frame of the screen; in angle, never in centimetres."""
    frames = round(cycles / frequency_hz * rate_hz)
    times = np.arange(frames + 1) / rate_hz
    places = amplitude_deg * np.sin(2 * np.pi * frequency_hz * times)
    return tuple(
        Target(float(a), float(b), float(x), 0.0) for a, b, x in zip(times, times[1:], places, strict=False)
    )


FIXATION_STEPS = (
    _step("fixate", "Fixation", "Look at the spot and do not look away.", "spot of 0.5 deg, centre", 60.0,
          "square-wave jerks a minute, steadiness between saccades", (Target(0.0, 60.0, 0.0, 0.0),)),
)  # fmt: skip

SACCADE_SIZES = (5.0, 10.0, 15.0, 20.0, 25.0, 30.0)
ACROSS, UP_AND_DOWN = "saccades horizontal", "saccades vertical"
SACCADE_STEPS = (
    _step(ACROSS, "Saccades across", "Look at the spot wherever it jumps. Head still.",
          "spot of 0.5 deg that jumps across, random in time and size", 110.0,
          "latency, gain, peak velocity by size, each direction", random_steps(True, SACCADE_SIZES, 24, 1)),
    _step(UP_AND_DOWN, "Saccades up and down", "Look at the spot wherever it jumps. Head still.",
          "spot of 0.5 deg that jumps up and down, random in time and size", 80.0,
          "latency, gain, peak velocity by size, each direction",
          random_steps(False, (5.0, 10.0, 15.0), 16, 2, 10.0)),
)  # fmt: skip

PURSUIT_DEG, PURSUIT_CYCLES = 15.0, 5
PURSUIT_HZ = {f"pursuit {hz:g} Hz": hz for hz in (0.1, 0.2, 0.3, 0.4)}  # by key of the step
PURSUIT_STEPS = tuple(
    _step(key, f"Pursuit, {hz:g} Hz", "Follow the spot. Do not let it get away.",
          f"spot on a sine of 15 deg and {hz:g} Hz, 5 cycles, the first dropped", PURSUIT_CYCLES / hz,
          "gain and phase of eye velocity, each direction, share of saccades",
          sine_targets(PURSUIT_DEG, hz, PURSUIT_CYCLES))
    for key, hz in PURSUIT_HZ.items()
)  # fmt: skip

BEFORE_FIELD, AFTER_FIELD = "dark before the field", "dark after the "  # the second before the field's key
AFTER_DPS = 40.0  # of the fields behind which the after-nystagmus is recorded
FIELD_DPS = {
    f"field to the {way} {dps} deg/s": sign * float(dps)
    for dps in (20, 40)
    for way, sign in (("right", 1.0), ("left", -1.0))
}  # signed velocity by key of the step


def _after_field(key: str) -> Step:
    return _step(f"{AFTER_FIELD}{key}", "Lights out", "Eyes wide open. Look straight ahead into the dark.",
                 "none: field and light go off at once", 30.0,
                 "velocity of the after-nystagmus 1 to 4 s after the light, and how it fades",
                 light="dark")  # fmt: skip


OPTOKINETIC_STEPS = (
    _step(BEFORE_FIELD, "Dark", "Keep your eyes wide open and count backwards in sevens.", "none", 20.0,
          "spontaneous nystagmus, which adds to the responses", light="dark"),
    *(
        step
        for key, dps in FIELD_DPS.items()
        for step in (
            _step(key, f"Field to the {'right' if dps > 0 else 'left'}",
                  "Watch the dots as they pass the centre.",
                  f"random dots that move to the patient's {'right' if dps > 0 else 'left'} with "
                  f"{abs(dps):g} deg/s", 20.0,
                  "gain: slow-phase velocity over field velocity, first 3 s dropped"),
            *((_after_field(key),) if abs(dps) == AFTER_DPS else ()),
            _step(f"rest after the {key}", "Rest", "Look at the spot.", "spot at the centre", 10.0, "",
                  (Target(0.0, 10.0, 0.0, 0.0),)),
        )
    ),
)  # fmt: skip

VERTICAL_PREPARATION = (
    "Dark room; no edge, glow or frame in view. Level of the screen measured at five angles.",
    "Head upright, within 3 degrees. Ask for vertical like a plumb line, not parallel to the body.",
    "Starts of 10 to 30 degrees, sides in turn, equal numbers; one or two for practice, dropped.",
)
STATIC = "vertical static"
CLOCKWISE, COUNTER_CLOCKWISE = "background clockwise", "background counter-clockwise"
STATIC_STEPS = (
    _step(STATIC, "Line in the dark", "Turn the line until it is vertical, like a plumb line.",
          "line of 2 by 10 deg that starts tilted by 10 to 30 deg, right and left in turn", 180.0,
          "signed and absolute mean, spread, effect of the start's side"),
)  # fmt: skip
TURNING_STEPS = tuple(
    _step(key, f"Background turns {key.removeprefix('background ')}", "Turn the line until it is vertical.",
          f"dots that turn {key.removeprefix('background ')} as the patient sees it, 30 deg/s, 15 s before "
          "the first line", 180.0, "visual dependence and the tilt that is left")
    for key in (CLOCKWISE, COUNTER_CLOCKWISE)
)  # fmt: skip

COVERED_S, COVERS = 2.0, 20  # each cover, right eye first, ten for each eye
COVER_STEPS = (
    _step("alternate cover", "Alternate cover", "Look at the spot all the time.",
          "one target; right and left eye covered in turn, 2 s each, 10 times each", COVERS * COVERED_S,
          "vertical refixation of each eye, deg; which eye is higher",
          (Target(0.0, COVERS * COVERED_S, 0.0, 0.0),)),
)  # fmt: skip
