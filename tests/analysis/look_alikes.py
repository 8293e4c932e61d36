"""Random invented patients whose nystagmus resembles a benign pattern and is none, and what must not be said.

Each case answers with what was wrong with the words, "" where nothing was.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from math import inf

import numpy as np

from analysis.procedure import Result
from capture.samples import EYES, Eye
from capture.simulation.canals import Triple, slow_phase, with_peak
from capture.simulation.drawing import look_alike
from capture.simulation.patterns import OTHER, Course, Pattern
from capture.simulation.traces import Seeing
from tests.analysis.drawn import Drawn
from tests.analysis.pattern_cases import CENTRAL

CANAL = r"fits (right|left) (posterior|anterior) canal"


def _short(drawn: Drawn, peak: Triple) -> Course:
    """A paroxysm of less than a minute with latency, as free debris would give."""
    rng = drawn.rng
    return Course(peak, rng.uniform(1.0, 6.0), rng.uniform(1.0, 4.0), rng.uniform(2.0, 8.0))


def _as(drawn: Drawn, pattern: Pattern) -> Pattern:
    """With the habits of a drawn person."""
    own = drawn.patient("healthy", canals=False, rest=False)
    return replace(own, provoked=pattern.provoked, spontaneous_dps=pattern.spontaneous_dps)


def _hung(drawn: Drawn, course: Course, side: Eye, **seeing: float) -> Result:
    pattern = _as(drawn, look_alike(course, (f"hanging {side}",)))
    eyes: dict[Eye, Seeing] = {eye: replace(how, **seeing) for eye, how in drawn.seeing(110.0).items()}
    return drawn.seen(f"dix_hallpike_{side}", pattern, eyes)[1]


def _words(result: Result, side: Eye) -> str:
    return " ".join(t for t in result.fits if t.startswith(f"{side.capitalize()} ear down"))


def pure_paroxysm(drawn: Drawn) -> str:
    """Pure down-beat or torsional paroxysm: never a benign pattern alone."""
    speed, side = float(np.exp(drawn.rng.uniform(np.log(8), np.log(60)))), drawn.side()
    way = 1.0 if drawn.rng.random() < 0.5 else -1.0
    peak = (0.0, speed, 0.0) if drawn.rng.random() < 0.5 else (0.0, 0.0, way * speed)
    result = _hung(drawn, _short(drawn, peak), side)
    said = _words(result, side)
    if re.search(CANAL, said):
        return f"a canal: {said}"
    return f"no red flag: {said}" if "has to be excluded" in said and not result.red_flags else ""


def direction_fixed(drawn: Drawn) -> str:
    """Spontaneous nystagmus that is stronger in both positions: no horizontal canal."""
    way = 1.0 if drawn.rng.random() < 0.5 else -1.0
    rest = way * drawn.rng.uniform(3.0, 15.0)
    courses = {
        f"turned {side}": (Course((rest * drawn.rng.uniform(-0.5, 1.0), 0.0, 0.0), 0.5, 1.0, inf),)
        for side in EYES
    }
    pattern = _as(drawn, Pattern(spontaneous_dps=(rest, 0.0, 0.0), provoked=courses))
    _, result = drawn.led("supine_roll", pattern)
    said = " ".join(result.fits)
    return f"a canal: {said}" if re.search("ropic on both sides|(right|left) horizontal canal", said) else ""


def unreadable_torsion(drawn: Drawn) -> str:
    """Posterior canal whose torsion cannot be read: neither a canal nor "pure"."""
    side = drawn.side()
    peak = with_peak(slow_phase({(side, "posterior"): 1.0}), drawn.rng.uniform(10, 80))
    said = _words(_hung(drawn, _short(drawn, peak), side, torsion_quality=0.3), side)
    return said if re.search(CANAL, said) or re.search("purely (up|down)-beating", said) else ""


def wrong_ear(drawn: Drawn) -> str:
    """The other posterior canal than that of the marked lower ear."""
    side = drawn.side()
    peak = with_peak(slow_phase({(OTHER[side], "posterior"): 1.0}), drawn.rng.uniform(10, 80))
    said = _words(_hung(drawn, _short(drawn, peak), side), side)
    return "" if "does not fit the marked side" in said or not re.search(CANAL, said) else said


def reversal(drawn: Drawn) -> str:
    """A posterior canal's paroxysm that turns round in its position, and once more on sitting up."""
    side = drawn.side()
    peak = with_peak(slow_phase({(side, "posterior"): 1.0}), drawn.rng.uniform(20, 80))
    h, v, t = (-0.3 * p for p in peak)
    first = Course(peak, 2.0, 2.0, 3.0)
    later, up = Course((h, v, t), 28.0, 3.0, 6.0), Course((h, v, t), 1.5, 1.5, 4.0)
    provoked = {f"hanging {side}": (first, later), f"up after hanging {side}": (up,)}
    pattern = _as(drawn, Pattern(provoked=provoked))
    _, result = drawn.led(f"dix_hallpike_{side}", pattern)
    said = " ".join(result.fits)
    if "anterior canal" in said or f"{OTHER[side]} posterior" in said or f"fits {CENTRAL}" in said:
        return said
    turned = "turns round" not in said or "names neither another canal nor a central cause" in said
    return "" if turned else said


LOOK_ALIKES: dict[str, Callable[[Drawn], str]] = {
    "pure paroxysm with latency": pure_paroxysm,
    "direction-fixed in both positions": direction_fixed,
    "torsion unreadable": unreadable_torsion,
    "wrong ear marked": wrong_ear,
    "reversal": reversal,
}


def flaw_of(name: str, number: int, *, other: bool = False) -> str:
    """What was wrong with the words about one case, "" where nothing was; `other`: second generator."""
    return LOOK_ALIKES[name](Drawn.of(name, number, other=other))
