"""Tests that need a stimulus screen, as values: timing and targets exact enough to drive it.

None of them is in the battery: there is no measure behind them yet, and a recording of one is measured step
by step like a free recording. The one that gives a test its measure moves it into `BATTERY`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.battery.safety import ALWAYS_STOP
from analysis.procedure import Question, Step
from capture.samples import Target

HELD = "sitting, head straight and held"
PHOTOSENSITIVE = Question(
    "photosensitive",
    "Seizures or migraine from flicker or stripes?",
    "Harding et al., Epilepsia 2005;46:1423-1425 (abstract)",
)


@dataclass(frozen=True, slots=True)
class StimulusTest:
    """A procedure that has no measure yet: all of `Procedure` but `analyse`."""

    key: str
    title: str
    purpose: str
    preparation: tuple[str, ...]
    contraindications: tuple[str, ...]
    stop_signs: tuple[str, ...]
    steps: tuple[Step, ...]
    questions: tuple[Question, ...] = ()


def _step(
    key: str,
    title: str,
    told: str,
    stimulus: str,
    seconds: float,
    measured: str,
    targets: tuple[Target, ...] = (),
) -> Step:
    return Step(
        key=key,
        title=title,
        instruction=told,
        light="fixation",
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


FIXATION = StimulusTest(
    key="fixation_stability",
    title="Fixation and square-wave jerks",
    purpose="Shows movements that break fixation: square-wave jerks, flutter, pendular nystagmus.",
    preparation=("After calibration.",),
    contraindications=(),
    stop_signs=ALWAYS_STOP,
    steps=(
        _step("fixate", "Fixation", "Look at the spot and do not look away.", "spot of 0.5 deg, centre", 60.0,
              "square-wave jerks a minute, steadiness between saccades", (Target(0.0, 60.0, 0.0, 0.0),)),
    ),
)  # fmt: skip

SACCADE_SIZES = (5.0, 10.0, 15.0, 20.0, 25.0, 30.0)
SACCADES = StimulusTest(
    key="saccades",
    title="Saccades",
    purpose="Latency, accuracy and speed of saccades.",
    preparation=(
        "At least 100, better 200 pictures a second; both eyes; good calibration.",
        "Sight good enough for a spot of 0.5 deg.",
    ),
    contraindications=(),
    stop_signs=ALWAYS_STOP,
    steps=(
        _step("saccades horizontal", "Saccades across", "Look at the spot wherever it jumps. Head still.",
              "spot of 0.5 deg that jumps across, random in time and size", 110.0,
              "latency, gain, peak velocity by size, each "
              "direction", random_steps(True, SACCADE_SIZES, 24, 1)),
        _step("saccades vertical", "Saccades up and down", "Look at the spot wherever it jumps. Head still.",
              "spot of 0.5 deg that jumps up and down, random in time and size", 80.0,
              "latency, gain, peak velocity by size, each direction",
              random_steps(False, (5.0, 10.0, 15.0), 16, 2, 10.0)),
    ),
)  # fmt: skip

PURSUIT = StimulusTest(
    key="pursuit",
    title="Smooth pursuit",
    purpose="Shows how well the eye follows a slow target.",
    preparation=("After calibration. Repeat the best where the patient was inattentive, and say so.",),
    contraindications=(),
    stop_signs=ALWAYS_STOP,
    steps=tuple(
        _step(f"pursuit {hz:g} Hz", f"Pursuit, {hz:g} Hz", "Follow the spot. Do not let it get away.",
              f"spot on a sine of 15 deg and {hz:g} Hz, 5 cycles, the first dropped", 5 / hz,
              "gain and phase of eye velocity, each direction, share of saccades", sine_targets(15.0, hz, 5))
        for hz in (0.1, 0.2, 0.3, 0.4)
    ),
)  # fmt: skip

OPTOKINETIC = StimulusTest(
    key="optokinetic",
    title="Optokinetic nystagmus, small-field",
    purpose="Shows following of a moving field, each direction. On a small screen mostly pursuit.",
    preparation=("Below 50 cd/m2, dots rather than stripes, no red and black, no flicker.",),
    contraindications=("seizures from light",),
    stop_signs=(*ALWAYS_STOP, "Aura, absence, flicker seen."),
    steps=tuple(
        step
        for dps in (20, 40)
        for way in ("right", "left")
        for step in (
            _step(f"field to the {way} {dps} deg/s", f"Field to the {way}", "Watch the dots as they pass "
            "the centre.",
                  f"random dots that move to the patient's {way} with {dps} deg/s", 20.0,
                  "gain: slow-phase velocity over field velocity, first 3 s dropped"),
            _step(f"rest after {way} {dps} deg/s", "Rest", "Look at the spot.", "spot at the "
            "centre", 10.0, "",
                  (Target(0.0, 10.0, 0.0, 0.0),)),
        )
    ),
    questions=(PHOTOSENSITIVE,),
)  # fmt: skip

VISUAL_VERTICAL = StimulusTest(
    key="visual_vertical",
    title="Subjective visual vertical",
    purpose="Shows a tilt of what is seen as vertical: otoliths and their pathways.",
    preparation=(
        "Dark room; no edge, glow or frame in view. Level of the screen measured at five angles.",
        "Head upright, within 3 degrees. Ask for vertical like a plumb line, not parallel to the body.",
        "Starts of 10 to 30 degrees, sides in turn, equal numbers; one or two for practice, dropped.",
    ),
    contraindications=(),
    stop_signs=ALWAYS_STOP,
    steps=(
        _step("vertical static", "Line in the dark", "Turn the line until it is vertical, like a plumb line.",
              "line of 2 by 10 deg that starts tilted by 10 to 30 deg, right and left in turn", 180.0,
              "signed and absolute mean, spread, effect of the start's side"),
    ),
)  # fmt: skip

VISUAL_VERTICAL_TURNING = StimulusTest(
    key="visual_vertical_turning",
    title="Subjective visual vertical with rotating background",
    purpose="Shows how far what is seen moves the vertical.",
    preparation=VISUAL_VERTICAL.preparation,
    contraindications=("seizures from light",),
    stop_signs=(*ALWAYS_STOP, "Nausea."),
    steps=tuple(
        _step(f"background {way}", f"Background turns {way}", "Turn the line until it is vertical.",
              f"dots that turn {way} as the patient sees it, 30 deg/s, 15 s before the first line", 180.0,
              "visual dependence and the tilt that is left")
        for way in ("clockwise", "counter-clockwise")
    ),
    questions=(PHOTOSENSITIVE,),
)  # fmt: skip

ALTERNATE_COVER = StimulusTest(
    key="alternate_cover",
    title="Alternate cover for skew",
    purpose="Shows a vertical misalignment of the eyes.",
    preparation=("Both eyes recorded and calibrated, each by itself.",),
    contraindications=(),
    stop_signs=ALWAYS_STOP,
    steps=(
        _step("alternate cover", "Alternate cover", "Look at the spot all the time.",
              "one target; right and left eye covered in turn, 2 s each, 10 times each", 40.0,
              "vertical refixation of each eye, deg; which eye is higher", (Target(0.0, 40.0, 0.0, 0.0),)),
    ),
)  # fmt: skip

STIMULUS_TESTS = (
    FIXATION,
    SACCADES,
    PURSUIT,
    OPTOKINETIC,
    VISUAL_VERTICAL,
    VISUAL_VERTICAL_TURNING,
    ALTERNATE_COVER,
)
