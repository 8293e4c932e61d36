"""What pressure and sound move: superior canals by vertical and torsional changes, horizontal ones across.

Excitation of an anterior (superior) canal beats down and toward its ear, inhibition the other way (Minor
1998, 2005; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

from analysis.battery.changes import CHANGE, certain_ways
from analysis.finding import Finding

LEAST_DPS = 1.0
OTHER = {"right": "left", "left": "right"}


def pressure_words(changes: Sequence[Finding]) -> tuple[str, ...]:
    """One sentence a step and pattern; what else fits stands beside it."""
    texts: dict[str, None] = {}
    for step in dict.fromkeys(f.step for f in changes):
        up, turn = (certain_ways(changes, step, axis, LEAST_DPS) for axis in ("vertical", "torsional"))
        if len(up) == 1:
            known = all(f.value is not None for f in _of(changes, step, "torsional"))
            texts[f"{step.capitalize()}: {_vertical(up.pop(), turn, known)}"] = None
        for way in sorted(certain_ways(changes, step, "horizontal", LEAST_DPS)):
            texts[f"{step.capitalize()}: {way}-beating: fits a fistula of the horizontal canal."] = None
    return tuple(texts)


def _of(changes: Sequence[Finding], step: str, axis: str) -> list[Finding]:
    return [f for f in changes if (f.key, f.step, f.axis) == (CHANGE, step, axis)]


def _vertical(way: str, turn: set[str], torsion_known: bool) -> str:
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
    if not torsion_known:
        return f"{head}, torsion not assessed: fits an anterior (superior) canal and a central cause."
    if turn:
        return f"{head}, torsion different in the eyes: no canal is named."
    if way == "down":
        return (
            f"{head} without torsion: fits a malformation at the base of the skull and other central causes; "
            "also both superior canals."
        )
    return f"{head} without torsion: fits a central cause."
