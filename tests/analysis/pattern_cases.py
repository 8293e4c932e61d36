"""Random invented patients of every pattern, led through the test that shows it, and what was said of them.

"Answered": the pattern's axis was measured and something was named. "Right": every direction that was
printed is that of the truth, and what was named is the pattern. Words are read as a doctor reads them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

import numpy as np

from analysis.battery.caloric_summary import summarise
from analysis.battery.changes import certain
from analysis.battery.shaken import BEATS
from analysis.eye_window import VELOCITY
from analysis.positional_findings import ASYMMETRY, PEAK
from analysis.procedure import Result
from capture.samples import AXES, EYES
from capture.simulation.canals import Triple
from capture.simulation.patterns import OTHER, Pattern
from tests.analysis.drawn import Drawn, Outcome, directions, outcome_of, saying
from tests.analysis.led_patient import Led

CENTRAL = "central positional nystagmus"


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
    named = not saying(mine, "no canal is named|torsion not assessed|no pattern is named") and bool(mine)
    right = saying(mine, f"fits {side} posterior canal") is not None
    wrong = f"(fits|the) {OTHER[side]} posterior|fits (right|left) anterior|horizontal canal,"
    elsewhere = saying(other.fits, "fits (right|left) (posterior|anterior)") is not None
    return outcome_of(
        printed, named, right and not elsewhere, mine + other.fits,
        wrong_side=saying(mine, wrong) is not None or elsewhere,
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
    named = bool(mine) and not saying(mine, "no canal is named|torsion not assessed|no pattern is named")
    right = saying(mine, f"{side} anterior canal|purely down-beating.*anterior canal") is not None
    central = all(
        CENTRAL in text for text in mine if "no canal is named" not in text and "differ" not in text
    )
    return outcome_of(
        printed, named, right and central, mine,
        wrong_side=saying(mine, f"{OTHER[side]} anterior canal") is not None or not central,
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
    about = saying(result.fits, "^(Geotropic|Apogeotropic) on both sides|direction-fixed")
    right = about is not None and about[0].lower().startswith(kind)
    others = saying(result.fits, "(posterior|anterior) canal|purely|fits no single canal") is not None
    side_named = saying(result.fits, r"fits (right|left) horizontal canal")
    even = any(
        f.key == ASYMMETRY and f.interval and f.interval[0] <= 0 <= f.interval[1] for f in result.findings
    )
    wrong_side = side_named is not None and (side_named[1] != side or even)
    return outcome_of(told, about is not None, right and not others, result.fits, wrong_side=wrong_side)


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
    named = saying(result.fits, "^(Right|Left)-beating: fits reduced function of the (right|left)")
    other = saying(result.fits, "on one axis|without a horizontal|Direction changes")
    right = named is not None and named[1].lower() == OTHER[side] and named[2] == side
    return outcome_of(
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
        saying(result.conclusions, f"^{eye.capitalize()} eye.*bilateral vestibulopathy is met")
        for eye in EYES
    ]
    answered = all(f.value is not None for f in sums)
    named = saying(result.fits, "Fits reduced function of the (right|left)") is not None
    said = (*result.conclusions, *result.fits)
    return outcome_of(True, answered, all(met) and not named, said, wrong_side=named)


def down_beat(drawn: Drawn) -> Outcome:
    """Down-beating at rest: vertical, from no single canal."""
    pattern = drawn.patient("down-beat", canals=False, rest=False)
    _, result = drawn.led("spontaneous", pattern)
    printed = directions(result, VELOCITY, "dark", pattern.spontaneous_dps)
    right = saying(result.fits, "on one axis that no single canal gives: fits a central cause") is not None
    return outcome_of(printed, bool(result.fits), right, result.fits, wrong_side=names_a_side(result))


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
    both = saying(result.fits, "^Gaze-evoked nystagmus in both directions") is not None
    due = min(_true_speed(led, result, f"gaze {way}") for way in ways) > 1.15 * 2.0
    right = not backward and (both or not due)
    return outcome_of(told, True, right, result.fits, wrong_side=names_a_side(result))


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
    right = saying(result.fits, "fits periodic alternating nystagmus") is not None
    across = [f for f in result.findings if (f.key, f.step, f.axis) == (VELOCITY, "dark", "horizontal")]
    seen = all("direction changes" in f.reason for f in across)
    return outcome_of(
        bool(across), bool(result.fits), right and seen, result.fits, wrong_side=names_a_side(result)
    )


def perverted(drawn: Drawn) -> Outcome:
    """Down-beating after the head was shaken from side to side."""
    pattern = drawn.patient("perverted head-shake", canals=False, rest=True)
    _, result = drawn.led("head_shake", pattern)
    right = saying(result.fits, "^Vertical nystagmus after horizontal shaking") is not None
    across = saying(result.fits, "-beating after shaking") is not None
    words = {
        f.direction
        for f in result.findings
        if f.key in ("velocity_change", BEATS) and f.axis == "vertical" and f.direction
    }
    return outcome_of(
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
    return outcome_of(
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
    named = {eye for eye in EYES if saying(result.fits, f"adduction of the {eye} eye is slow")}
    right = named == {side} and len(result.fits) == 1 and bool(result.red_flags)
    measured = True if all(f.value is not None for f in index) else None
    return outcome_of(measured, True, right, said, wrong_side=OTHER[side] in named)


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
