"""What pressure and sound move: superior canals by vertical and torsional changes, horizontal ones across.

Excitation of an anterior (superior) canal beats down and toward its ear, inhibition the other way (Minor
1998, 2005; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

from analysis.battery.changes import CHANGE, certain_ways
from analysis.finding import Finding

LEAST_DPS = 1.0
# Of the eye's fastest change in the step; less of an axis is no pattern of its own. An anterior canal turns
# the eye across by a fifth of what it turns it up; a rolled camera and cross-talk add a tenth (all design
# choices).
LEAST_SHARES = {"horizontal": 0.4, "vertical": 0.2, "torsional": 0.1}
NEAR_ZERO_SHARE, NEAR_ZERO_ERRORS = 0.2, 2.0  # of the vertical change; standard errors added (design choice)
OTHER = {"right": "left", "left": "right"}


def pressure_words(changes: Sequence[Finding]) -> tuple[str, ...]:
    """One sentence a step and pattern; what else fits stands beside it."""
    texts: dict[str, None] = {}
    for step in dict.fromkeys(f.step for f in changes):
        mine = [f for f in changes if (f.key, f.step) == (CHANGE, step)]
        own = [f for f in mine if not _beside_a_faster(f, mine)]
        across, up, turn = (certain_ways(own, step, axis, LEAST_DPS) for axis in LEAST_SHARES)
        if len(up) == 1:
            texts[f"{step.capitalize()}: {_vertical(up.pop(), turn, torsion_of(mine))}"] = None
        for way in sorted(across):
            texts[f"{step.capitalize()}: {way}-beating: fits a fistula of the horizontal canal."] = None
    return tuple(texts)


def _beside_a_faster(finding: Finding, mine: Sequence[Finding]) -> bool:
    """Whether a change is a small part of what its eye does on another axis."""
    fastest = max(abs(f.value or 0.0) for f in mine if f.eye == finding.eye)
    return abs(finding.value or 0.0) < LEAST_SHARES[finding.axis or ""] * fastest


def torsion_of(mine: Sequence[Finding]) -> str:
    """What is known of torsion in a step: "" where it was measured near zero in every eye."""
    for f in (f for f in mine if f.axis == "torsional"):
        vertical = next(g.value or 0.0 for g in mine if (g.eye, g.axis) == (f.eye, "vertical"))
        if f.value is None:
            return "not assessed"
        if abs(f.value) + NEAR_ZERO_ERRORS * (f.standard_error or 0.0) > NEAR_ZERO_SHARE * abs(vertical):
            return "uncertain"
    return ""


def _vertical(way: str, turn: set[str], torsion: str) -> str:
    head = f"{way}-beating"
    if len(turn) == 1:
        ear = next(iter(turn)).removeprefix("upper_pole_")
        head += f", upper pole toward the {ear} ear"
        if way == "down":
            return (
                f"{head}: fits excitation of the {ear} anterior (superior) canal, as with its dehiscence, "
                "and a central cause."
            )
        return (
            f"{head}: fits inhibition of the {OTHER[ear]} anterior (superior) canal, as straining with "
            f"closed glottis or negative pressure does with its dehiscence, excitation of the {ear} "
            "posterior canal, and a central cause."
        )
    if turn:
        return f"{head}, torsion different in the eyes: no canal is named."
    if torsion:
        return f"{head}, torsion {torsion}: fits an anterior (superior) canal and a central cause."
    if way == "down":
        return (
            f"{head} without torsion: fits a malformation at the base of the skull and other central causes; "
            "also both superior canals."
        )
    return f"{head} without torsion: fits a central cause."
