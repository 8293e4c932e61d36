"""Calibration and direction check: whether the eye points where it is asked to look, by the degrees in force.

The degrees are those of the calibration that the recording holds, so a check led after it tells whether it
still holds: after a slip, after a change of posture, before the caloric test.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import NamedTuple

import numpy as np

from analysis.battery.safety import ALWAYS_STOP, NECK_RELATIVE
from analysis.battery.stepwise import StepSettings, measure_steps, settings_in_words, step_cautions
from analysis.finding import Finding
from analysis.marking import Marking, marked
from analysis.nystagmus import samples_in
from analysis.procedure import Observed, Procedure, Result, Step, Window
from analysis.trace import Trace
from capture.samples import Eye, Target


class Held(NamedTuple):
    """Where an eye looked in the last second of a step, deg."""

    horizontal: float
    vertical: float
    torsional: float  # NaN: not read
    spread: float  # standard deviation, larger of horizontal and vertical


ERROR, SPREAD, MEAN, WORST = "target_error", "fixation_spread", "mean_target_error", "worst_target_error"
MOVED, GAINS, TILT = "centre_moved", "gain_difference", "torsion_on_tilt"
NAMES = {
    ERROR: ("distance from the target", "deg", "median gaze of the last second - target"),
    SPREAD: ("spread of gaze on the target", "deg", "standard deviation of the last second, larger axis"),
    MEAN: ("mean distance from the targets", "deg", "mean over the targets that were held"),
    WORST: ("worst distance from a target", "deg", "largest over the targets that were held"),
    MOVED: ("centre after against before", "deg", "distance of the two median gazes"),
    GAINS: ("gain to the right against the left", "%", "100 (R - L) / (mean of both), turn over asked turn"),
    TILT: ("torsion with the head tilted to the right", "deg", "median torsion tilted - upright"),
}
CENTRE, AGAIN, TILTED = "look straight ahead", "look straight ahead again", "tilt to the right"
ANGLE_DEG = 10.0
LOOKS: dict[str, tuple[float, float]] = {
    CENTRE: (0.0, 0.0),
    "look right": (ANGLE_DEG, 0.0),
    "look left": (-ANGLE_DEG, 0.0),
    "look up": (0.0, ANGLE_DEG),
    "look down": (0.0, -ANGLE_DEG),
    AGAIN: (0.0, 0.0),
}
HELD_S = 3.0
LEAST_TARGETS = 3
NOT_LED = "step not recorded"


@dataclass(frozen=True, slots=True)
class CheckSettings:
    """Clinical reference 3.3 and 27.4; design choices of the clinic."""

    steps: StepSettings = field(default_factory=StepSettings)
    used_s: float = 1.0  # the last of each target
    least_share: float = 0.3  # of it that must be seen
    steady_deg: float = 0.5  # standard deviation of gaze that is held
    good_deg: tuple[float, float] = (0.5, 1.0)  # mean and worst distance
    usable_deg: tuple[float, float] = (1.0, 2.0)
    moved_deg: float = 1.0  # of the centre: the goggles moved
    gain_percent: float = 10.0  # between right and left
    turned_deg: float = 3.0  # that a look of 10 deg must at least show to prove its direction
    rolled_deg: float = 1.0  # of torsion that tells the sign; 3 to 8 deg are usual (from memory)

    def grade(self, mean_deg: float, worst_deg: float) -> str:
        """What such distances are worth."""
        for name, (mean, worst) in (("good", self.good_deg), ("usable", self.usable_deg)):
            if mean_deg <= mean and worst_deg <= worst:
                return name
        return "too far off for degrees"

    def in_words(self) -> dict[str, float | int | str]:
        """Every constant of the check by its name."""
        own = asdict(self)
        del own["steps"]
        return {name: str(value) for name, value in own.items()}


def analyse(observed: Observed) -> Result:
    """Hold each eye's gaze against the targets. Never raises for a poor recording."""
    settings = CheckSettings()
    measured = measure_steps(observed, CALIBRATION.steps, settings.steps)
    found: list[Finding] = []
    words: list[str] = []
    for eye, marking in measured.marking.items():
        held = {w.key: _held(observed.traces[eye], w, settings) for w in measured.windows if not w.outside}
        mine = _findings(held, eye, marking, settings)
        found += mine
        words += _words(mine, held, eye, settings)
    return Result(
        procedure=CALIBRATION.key,
        title=CALIBRATION.title,
        windows=measured.windows,
        findings=tuple(found),
        conclusions=tuple(words),
        not_concluded=("The gain of an eye that cannot hold a target, as with nystagmus.",),
        cautions=step_cautions(observed, measured, settings.steps),
        settings=settings_in_words(settings.steps) | settings.in_words(),
    )


def _held(trace: Trace, window: Window, settings: CheckSettings) -> Held | str:
    """Where the eye looked at the end of a step, or why that is not known."""
    part = samples_in(trace, max(window.end_s - settings.used_s, window.used_from_s), window.end_s)
    seen = trace.position_deg[part][trace.valid[part]]
    if len(seen) < 2 or len(seen) < settings.least_share * settings.used_s * trace.rate_hz:
        return "the eye was not seen long enough"
    rolled = trace.position_deg[part, 2][trace.torsion_valid[part]]
    torsion = float(np.median(rolled)) if len(rolled) else math.nan
    across, up = np.median(seen[:, :2], axis=0).tolist()
    return Held(across, up, torsion, float(seen[:, :2].std(axis=0).max()))


def _findings(
    held: Mapping[str, Held | str], eye: Eye, marking: Marking, settings: CheckSettings
) -> list[Finding]:
    """Distance and spread at each target, then what they say together."""

    def made(key: str, value: float | str, step: str = "") -> Finding:
        name, unit, formula = NAMES[key]
        marks = () if unit == "%" else marking.marks
        whole = Finding(key, name, unit, reason="-", step=step, eye=eye, marks=marks, formula=formula)
        return (
            replace(whole, reason=value) if isinstance(value, str) else replace(whole, value=value, reason="")
        )

    away = {step: _distance(held.get(step, NOT_LED), at, settings) for step, at in LOOKS.items()}
    found = [made(ERROR, off, step) for step, off in away.items()]
    found += [
        made(SPREAD, h if isinstance(h, str) else h.spread, step) for step, h in held.items() if step in LOOKS
    ]
    known = [off for off in away.values() if isinstance(off, float)]
    few = "" if len(known) >= LEAST_TARGETS else f"{len(known)} targets were held, {LEAST_TARGETS} needed"
    found.append(made(MEAN, few or float(np.mean(known))))
    found.append(made(WORST, few or max(known)))
    found.append(made(MOVED, _between(held, CENTRE, AGAIN, settings)))
    found.append(made(GAINS, _gain_difference(held, settings)))
    found.append(made(TILT, _torsion(held)))
    return found


def _steady(held: Held | str, settings: CheckSettings) -> Held | str:
    if isinstance(held, Held) and held.spread > settings.steady_deg:
        return f"gaze was not held (spread {held.spread:.1f} deg)"
    return held


def _distance(held: Held | str, at: tuple[float, float], settings: CheckSettings) -> float | str:
    place = _steady(held, settings)
    if isinstance(place, str):
        return place
    return math.hypot(place.horizontal - at[0], place.vertical - at[1])


def _between(held: Mapping[str, Held | str], one: str, other: str, settings: CheckSettings) -> float | str:
    before = _steady(held.get(one, NOT_LED), settings)
    if isinstance(before, str):
        return f"{one}: {before}"
    away = _distance(held.get(other, NOT_LED), (before.horizontal, before.vertical), settings)
    return f"{other}: {away}" if isinstance(away, str) else away


def _gain_difference(held: Mapping[str, Held | str], settings: CheckSettings) -> float | str:
    """How much further the eye turns to the one side than to the other, for the same angle."""
    turns = []
    for step in ("look right", "look left"):
        here, centre = (
            _steady(held.get(step, NOT_LED), settings),
            _steady(held.get(CENTRE, NOT_LED), settings),
        )
        if isinstance(here, str) or isinstance(centre, str):
            return f"{step}: {here}" if isinstance(here, str) else f"{CENTRE}: {centre}"
        turns.append(abs(here.horizontal - centre.horizontal))
    if sum(turns) < settings.turned_deg:  # of an eye at rest the noise alone would make a difference
        return "the eye hardly turned"
    return 100 * (turns[0] - turns[1]) / (sum(turns) / 2)


def _torsion(held: Mapping[str, Held | str]) -> float | str:
    upright, tilted = held.get(AGAIN, NOT_LED), held.get(TILTED, NOT_LED)
    if isinstance(upright, str) or isinstance(tilted, str):
        return f"{AGAIN}: {upright}" if isinstance(upright, str) else f"{TILTED}: {tilted}"
    turned = tilted.torsional - upright.torsional
    return turned if math.isfinite(turned) else "torsion not readable"


def _words(
    found: Sequence[Finding], held: Mapping[str, Held | str], eye: Eye, settings: CheckSettings
) -> list[str]:
    by_key = {f.key: f for f in found}
    mean, worst = by_key[MEAN], by_key[WORST]
    head = f"{eye.capitalize()} eye"
    texts = [f"{head}: not assessed ({mean.reason})."]
    if mean.value is not None and worst.value is not None:
        numbers = marked(f"{mean.value:.2f} deg", mean.unit, mean.marks)
        most = marked(f"{worst.value:.2f} deg", worst.unit, worst.marks)
        grade = settings.grade(mean.value, worst.value)
        texts = [f"{head}: {grade}, {numbers} from the targets on average, {most} at worst."]
    texts.append(f"{head}: {_direction(held, settings)}.")
    torsion, moved, gains = by_key[TILT].value, by_key[MOVED].value, by_key[GAINS].value
    if torsion is not None and abs(torsion) >= settings.rolled_deg:
        sign = "the right" if torsion < 0 else "the wrong"  # the eyes roll against the head
        texts.append(f"{head}: torsion has {sign} sign with the head tilted to the right.")
    if moved is not None and moved > settings.moved_deg:
        texts.append(
            f"{head}: the centre moved by {moved:.1f} deg: the goggles may have slipped; calibrate again."
        )
    if gains is not None and abs(gains) > settings.gain_percent:
        texts.append(
            f"{head}: the gains to the right and to the left differ by {abs(gains):.0f} %: look for squint, "
            "lid and reflections."
        )
    return texts


def _direction(held: Mapping[str, Held | str], settings: CheckSettings) -> str:
    """Whether right is right and up is up, by looks to both ends of each axis."""
    ends = (("look right", "look left", 0, "right"), ("look up", "look down", 1, "up"))
    said = []
    for one, other, axis, word in ends:
        there, here = held.get(one, NOT_LED), held.get(other, NOT_LED)
        if isinstance(there, str) or isinstance(here, str):
            said.append(
                f"whether {word} is {word} is not known ({there if isinstance(there, str) else here})"
            )
            continue
        turn = there[axis] - here[axis]
        if abs(turn) < settings.turned_deg:
            said.append(f"whether {word} is {word} is not known (the eye hardly turned)")
        else:
            said.append(f"{word} is {word}" if turn > 0 else f"{word} comes out as its opposite")
    return ", ".join(said)


def _look(key: str, at: tuple[float, float]) -> Step:
    told = key.replace("look", "Look")
    return Step(
        key=key,
        title=told,
        instruction=f"{told} at the mark and hold it. Do not move your head.",
        light="fixation",
        posture="sitting, head straight and held",
        stimulus=f"one target at {at[0]:g} deg across, {at[1]:g} deg up",
        targets=(Target(0.0, HELD_S, *at),),
        shortest_s=2.0,
        longest_s=HELD_S,
        measured="gaze against the target, right against left, up against down",
        action="Show the target. Watch that the head does not move.",
    )


TILT_STEP = Step(
    key=TILTED,
    title="Tilt to the right",
    instruction="Look straight ahead at the mark. I tilt your head toward your right shoulder.",
    light="fixation",
    posture="sitting, head tilted 30 to 45 degrees toward the right shoulder",
    stimulus="one target straight ahead",
    targets=(Target(0.0, 4.0, 0.0, 0.0),),
    shortest_s=3.0,
    longest_s=4.0,
    measured="sign of torsion: the eyes roll against the head, 3 to 8 deg",
    action="Tilt the head 30 to 45 degrees toward the right shoulder and hold it. Not with a stiff neck.",
)
CALIBRATION = Procedure(
    key="calibration_check",
    title="Calibration and direction check",
    purpose="Shows whether degrees and directions are those of the eye: after a slip, a change of posture, "
    "and before tests that need degrees.",
    preparation=(
        "Goggles tight, pupil and iris sharp in both pictures. Glasses off; contact lenses may stay.",
        "Cover the other eye where a squint or double vision is in question.",
    ),
    contraindications=NECK_RELATIVE,
    stop_signs=ALWAYS_STOP,
    steps=(*(_look(key, at) for key, at in LOOKS.items()), TILT_STEP),
    analyse=analyse,
)
