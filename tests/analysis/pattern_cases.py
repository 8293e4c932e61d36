"""Random invented patients of every pattern, led through the test that shows it, and what was said of them.

A case is drawn from its number alone. Drawn are: the patient (`capture.simulation.drawing`), where the
canals lie (turned by 4 deg, standard deviation, about each axis: order of magnitude from memory) and how
strongly the eyes answer about the line of sight, nystagmus at rest as healthy people have it, how often
the eyes beat, and each eye's camera: rate, noise, gain, roll, cross-talk, lost frames.

"Answered": the pattern's axis was measured and something was named. "Right": every direction that was
printed is that of the truth, and what was named is the pattern. Words are read as a doctor reads them.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from math import exp

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.battery import procedure_named
from analysis.battery.caloric_summary import summarise
from analysis.battery.changes import certain
from analysis.nystagmus_findings import VELOCITY
from analysis.positional_findings import ASYMMETRY, PEAK
from analysis.procedure import Result
from capture.samples import AXES, EYES, Eye
from capture.simulation.canals import TORSIONAL_GAIN, Triple
from capture.simulation.drawing import blinking, draw_pattern, draw_seeing, sleepy, slipping
from capture.simulation.patterns import OTHER, Course, Pattern
from capture.simulation.traces import Seeing
from tests.analysis.led_patient import Led, lead
from tests.analysis.other_generator import lead_other, wide_seeing

RATES_HZ = (60.0, 100.0, 120.0, 200.0, 250.0)
WIDE_RATES_HZ = (100.0, 150.0, 250.0, 500.0)
CENTRAL = "central positional nystagmus"
WAYS = (
    ("right", "left"),
    ("up", "down"),
    ("upper_pole_right", "upper_pole_left"),
)  # quick phase, slow < 0, > 0
NAMED_SHARE = 0.3  # of the fastest axis: an axis that is truly slower may be hidden by cross-talk and roll


@dataclass(frozen=True)
class Outcome:
    """What became of one case."""

    answered: bool
    right: bool
    wrong_side: bool = False
    present: bool | None = (
        None  # healthy people: a nystagmus called present that is truly slower than 1 deg/s
    )
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


def _saying(texts: tuple[str, ...], pattern: str) -> re.Match[str] | None:
    return next((m for text in texts if (m := re.search(pattern, text))), None)


def _outcome(printed: bool | None, named: bool, right: bool, said: tuple[str, ...], **more: bool) -> Outcome:
    answered = printed is not None and named
    return Outcome(answered, answered and bool(printed) and right, said=" | ".join(said), **more)


def posterior(drawn: Drawn) -> Outcome:
    """Dix-Hallpike of the affected side; then of the other side, where nothing must be named."""
    side = drawn.side()
    pattern = drawn.patient(f"{side} posterior canal", canals=True, rest=True)
    _, result = drawn.led(f"dix_hallpike_{side}", pattern)
    _, other = drawn.led(f"dix_hallpike_{OTHER[side]}", pattern)
    step = f"{side} ear down"
    truth = pattern.provoked[f"hanging {side}"][0].peak_dps
    printed = directions(result, PEAK, step, truth)
    mine = tuple(t for t in result.fits if t.startswith(step.capitalize()) and "turns round" not in t)
    named = not _saying(mine, "no canal is named|torsion not assessed|no pattern is named") and bool(mine)
    right = _saying(mine, f"fits {side} posterior canal") is not None
    wrong = f"(fits|the) {OTHER[side]} posterior|fits (right|left) anterior|horizontal canal,"
    elsewhere = _saying(other.fits, "fits (right|left) (posterior|anterior)") is not None
    return _outcome(
        printed, named, right and not elsewhere, mine + other.fits,
        wrong_side=_saying(mine, wrong) is not None or elsewhere,
    )  # fmt: skip


def anterior(drawn: Drawn) -> Outcome:
    """Dix-Hallpike of any side or straight head-hanging: down-beating, never without the central reading."""
    side, down = drawn.side(), drawn.side()
    pattern = drawn.patient(f"{side} anterior canal", canals=True, rest=True)
    step, procedure = [(f"{down} ear down", f"dix_hallpike_{down}"), ("head hanging", "head_hanging")][
        int(drawn.rng.integers(2))
    ]
    _, result = drawn.led(procedure, pattern)
    truth = next(iter(pattern.provoked.values()))[0].peak_dps
    printed = directions(result, PEAK, step, truth)
    mine = tuple(t for t in result.fits if t.startswith(step.capitalize()) and "turns round" not in t)
    named = bool(mine) and not _saying(mine, "no canal is named|torsion not assessed|no pattern is named")
    right = _saying(mine, f"{side} anterior canal|purely down-beating.*anterior canal") is not None
    central = all(
        CENTRAL in text for text in mine if "no canal is named" not in text and "differ" not in text
    )
    return _outcome(
        printed, named, right and central, mine,
        wrong_side=_saying(mine, f"{OTHER[side]} anterior canal") is not None or not central,
    )  # fmt: skip


def _rolled(drawn: Drawn, kind: str) -> Outcome:
    side = drawn.side()
    pattern = drawn.patient(f"{side} horizontal canal, {kind}", canals=True, rest=True)
    long = {"roll to the right": 80.0, "roll to the left": 80.0} if kind == "apogeotropic" else None
    procedure = ("supine_roll", "supine_roll_whole_body")[int(drawn.rng.integers(2))]
    _, result = drawn.led(procedure, pattern, 200.0, seconds=long)
    printed = [
        directions(result, PEAK, f"roll to the {way}", pattern.provoked[f"turned {way}"][0].peak_dps)
        for way in EYES
    ]
    told = None if None in printed else all(printed)
    about = _saying(result.fits, "^(Geotropic|Apogeotropic) on both sides|direction-fixed")
    right = about is not None and about[0].lower().startswith(kind)
    others = _saying(result.fits, "(posterior|anterior) canal|purely|fits no single canal") is not None
    side_named = _saying(result.fits, r"fits (right|left) horizontal canal")
    even = any(
        f.key == ASYMMETRY and f.interval and f.interval[0] <= 0 <= f.interval[1] for f in result.findings
    )
    wrong_side = side_named is not None and (side_named[1] != side or even)
    return _outcome(told, about is not None, right and not others, result.fits, wrong_side=wrong_side)


def geotropic(drawn: Drawn) -> Outcome:
    """Supine roll of a patient with free debris in a horizontal canal, near-equal sides included."""
    return _rolled(drawn, "geotropic")


def apogeotropic(drawn: Drawn) -> Outcome:
    """Supine roll of a patient with debris on a horizontal cupula."""
    return _rolled(drawn, "apogeotropic")


ONE_SIDE = "(reduced function|irritation|loss|weakness) (of|on) the (right|left)"


def names_a_side(result: Result) -> bool:
    """Whether a text about nystagmus at rest names one side and not the other possibility beside it."""
    texts = (*result.conclusions, *result.fits, *(flag.text for flag in result.red_flags))
    return any(re.search(ONE_SIDE, t) and not ("right" in t.lower() and "left" in t.lower()) for t in texts)


def acute_loss(drawn: Drawn) -> Outcome:
    """Spontaneous nystagmus after the loss of one labyrinth: both readings of the direction, never a side."""
    side = drawn.side()
    pattern = drawn.patient(f"acute loss on the {side}", canals=True, rest=False)
    _, result = drawn.led("spontaneous", pattern)
    printed = directions(result, VELOCITY, "dark", pattern.spontaneous_dps)
    named = _saying(result.fits, "^(Right|Left)-beating: fits reduced function of the (right|left)")
    other = _saying(result.fits, "on one axis|without a horizontal|Direction changes")
    right = named is not None and named[1].lower() == OTHER[side] and named[2] == side
    return _outcome(
        printed, bool(named or other), right and other is None, result.fits, wrong_side=names_a_side(result)
    )


def both_lost(drawn: Drawn) -> Outcome:
    """Four irrigations of ears that hardly answer: the criterion of both sides, and no side."""
    pattern = drawn.patient("loss on both sides", canals=True, rest=True)
    irrigations = [
        drawn.led(f"caloric_{ear}_{kind}", pattern, 160.0)[1] for kind in ("warm", "cool") for ear in EYES
    ]
    result = summarise(irrigations)
    sums = [f for f in result.findings if f.key in ("right_sum", "left_sum")]
    met = [
        _saying(result.conclusions, f"^{eye.capitalize()} eye.*bilateral vestibulopathy is met")
        for eye in EYES
    ]
    answered = all(f.value is not None for f in sums)
    named = _saying(result.fits, "Fits reduced function of the (right|left)") is not None
    said = (*result.conclusions, *result.fits)
    return _outcome(True, answered, all(met) and not named, said, wrong_side=named)


def down_beat(drawn: Drawn) -> Outcome:
    """Down-beating at rest: vertical, from no single canal."""
    pattern = drawn.patient("down-beat", canals=False, rest=False)
    _, result = drawn.led("spontaneous", pattern)
    printed = directions(result, VELOCITY, "dark", pattern.spontaneous_dps)
    right = _saying(result.fits, "on one axis that no single canal gives: fits a central cause") is not None
    return _outcome(printed, bool(result.fits), right, result.fits, wrong_side=names_a_side(result))


def gaze_evoked(drawn: Drawn) -> Outcome:
    """Gaze-evoked nystagmus with rebound; to be named where it truly lasts above the bar of 2 deg/s."""
    pattern = drawn.patient("gaze-evoked with rebound", canals=False, rest=False)
    led, result = drawn.led("gaze_holding", pattern, 180.0)
    ways = {"right": (-1.0, 0.0, 0.0), "left": (1.0, 0.0, 0.0)}
    printed = [directions(result, VELOCITY, f"gaze {way}", velocity) for way, velocity in ways.items()]
    told = None if None in printed else all(printed)
    rebounds = [f for f in result.findings if f.key == "rebound" and f.axis == "horizontal"]
    backward = [
        f for f in rebounds if certain(f, 1.0) and ((f.value or 0.0) > 0) != (f.step == "centre after right")
    ]
    both = _saying(result.fits, "^Gaze-evoked nystagmus in both directions") is not None
    due = min(_true_speed(led, result, f"gaze {way}") for way in ways) > 1.15 * 2.0
    right = not backward and (both or not due)
    return _outcome(told, True, right, result.fits, wrong_side=names_a_side(result))


def _true_speed(led: Led, result: Result, step: str) -> float:
    """Median horizontal slow-phase speed of the true beats of a step."""
    window = next(w for w in result.windows if w.key == step)
    inside = [
        abs(b.slow_phase_velocity_dps[0])
        for b in led.patient.true_beats()
        if window.start_s <= b.slow_start_s and b.quick_end_s <= window.end_s
    ]
    return float(np.median(inside)) if inside else 0.0


def periodic_alternation(drawn: Drawn) -> Outcome:
    """Five minutes in the dark, in which the nystagmus turns round."""
    pattern = drawn.patient("periodic alternation", canals=False, rest=False)
    _, result = drawn.led("spontaneous", pattern, 300.0, seconds={"dark": 280.0})
    right = _saying(result.fits, "fits periodic alternating nystagmus") is not None
    across = [f for f in result.findings if (f.key, f.step, f.axis) == (VELOCITY, "dark", "horizontal")]
    seen = all("direction changes" in f.reason for f in across)
    return _outcome(
        bool(across), bool(result.fits), right and seen, result.fits, wrong_side=names_a_side(result)
    )


def perverted(drawn: Drawn) -> Outcome:
    """Down-beating after the head was shaken from side to side."""
    pattern = drawn.patient("perverted head-shake", canals=False, rest=True)
    _, result = drawn.led("head_shake", pattern)
    right = _saying(result.fits, "^Vertical nystagmus after horizontal shaking") is not None
    across = _saying(result.fits, "-beating after shaking") is not None
    words = {
        f.direction
        for f in result.findings
        if f.key == "velocity_change" and f.axis == "vertical" and f.value is not None
    }
    return _outcome(
        words == {"down"} if words else None, bool(result.fits), right and not across, result.fits
    )


def healthy(drawn: Drawn) -> Outcome:
    """Nystagmus at rest as healthy people have it, and none with light."""
    pattern = drawn.patient("dark nystagmus of a healthy person", canals=False, rest=False)
    _, result = drawn.led("spontaneous", pattern)
    true = {"dark": pattern.spontaneous_dps, "light": (0.0, 0.0, 0.0), "fixation": (0.0, 0.0, 0.0)}
    return _healthy(result, true, _of_rest(pattern, result))


def _of_rest(pattern: Pattern, result: Result) -> bool:
    """Whether what is printed of a healthy nystagmus at rest is true."""
    fast = max(map(abs, pattern.spontaneous_dps))
    return fast < 1.0 or directions(result, VELOCITY, "dark", pattern.spontaneous_dps) is not False


def end_point(drawn: Drawn) -> Outcome:
    """Looking 30 deg aside: the drift that healthy people have there."""
    pattern = drawn.patient("end-point nystagmus of a healthy person", canals=False, rest=False)
    _, result = drawn.led("gaze_holding", pattern, 180.0, gaze_deg=30.0)
    drift = 30.0 / pattern.integrator_tau_s * pattern.in_light
    still: Triple = (0.0, 0.0, 0.0)
    true = {w.key: still for w in result.windows}
    true |= {"gaze right": (-drift, 0.0, 0.0), "gaze left": (drift, 0.0, 0.0)}
    return _healthy(result, true, not result.fits)


def _healthy(result: Result, true: Mapping[str, Triple], right: bool) -> Outcome:
    speeds = [f for f in result.findings if f.key == VELOCITY and f.axis != "torsional"]
    known = [f for f in speeds if f.present is not None or f.no_beats]
    false = [f for f in speeds if f.present and abs(true[f.step][AXES.index(f.axis or "")]) < 1.0]
    said = (*(f"{f.step} {f.eye} {f.axis} {f.value}" for f in false), *result.fits)
    flagged = bool(result.red_flags)
    return _outcome(
        True, len(known) == len(speeds), right and not flagged, said, present=bool(false),
        wrong_side=names_a_side(result),
    )  # fmt: skip


def internuclear(drawn: Drawn) -> Outcome:
    """Saccades of a patient one of whose eyes adducts slowly, 200 or 250 samples/s: toward the other side."""
    side = drawn.side()
    pattern = drawn.patient(f"slow adduction of the {side} eye", canals=False, rest=False)
    drawn.rates_hz = tuple(rate for rate in drawn.rates_hz if rate >= 200)  # velocities of saccades need it
    _, result = drawn.led("saccades", pattern)
    index = [f for f in result.findings if f.key.startswith("versional_dysconjugacy")]
    said = (*(f"{f.key}: {f.value}" for f in index), *result.fits)
    named = {eye for eye in EYES if _saying(result.fits, f"adduction of the {eye} eye is slow")}
    right = named == {side} and len(result.fits) == 1 and bool(result.red_flags)
    measured = True if all(f.value is not None for f in index) else None
    return _outcome(measured, True, right, said, wrong_side=OTHER[side] in named)


Case = Callable[[Drawn], Outcome]
SPOILABLE: tuple[Case, ...] = (posterior, geotropic, acute_loss)


def _spoilt(drawn: Drawn) -> Outcome:
    return SPOILABLE[int(drawn.rng.integers(len(SPOILABLE)))](drawn)


CASES: dict[str, Case] = {
    "posterior canal": posterior,
    "horizontal canal, geotropic": geotropic,
    "horizontal canal, apogeotropic": apogeotropic,
    "anterior canal": anterior,
    "acute loss of one side": acute_loss,
    "loss on both sides": both_lost,
    "down-beat": down_beat,
    "gaze-evoked with rebound": gaze_evoked,
    "internuclear ophthalmoplegia": internuclear,
    "periodic alternation": periodic_alternation,
    "perverted head-shake": perverted,
    "healthy, dark nystagmus": healthy,
    "healthy, end-point at 30 deg": end_point,
    "sleepy": _spoilt,
    "blinking": _spoilt,
    "slipping": _spoilt,
}


def run_case(name: str, number: int, *, other: bool = False) -> Outcome:
    """One case of a pattern in `CASES`; `other`: by the second generator."""
    spoilt = name if name in ("sleepy", "blinking", "slipping") else ""
    return CASES[name](Drawn.of(name, number, spoilt, other=other))
