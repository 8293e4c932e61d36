"""What nystagmus that vibration or deep breathing provokes fits, each with what else fits."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from analysis.battery.changes import CHANGE, certain_ways
from analysis.battery.pressure_words import torsion_of
from analysis.battery.provoked_course import ENDS
from analysis.finding import Finding
from analysis.nystagmus import BEAT_NAMES

VIBRATION_DPS = 2.5  # Dumas et al. 2017 (from memory)
BREATHING_DPS = 2.0  # design choice
OUTLASTS_S = 2.0  # the beat that runs as it stops may be the last (design choice)
MASTOIDS = ("vibration right", "vibration left")
BREATHED = ("deep breathing", "after breathing")
CENTRAL = "fits a central cause (Leigh & Zee, from memory)"


def vibration_words(changes: Sequence[Finding]) -> tuple[str, ...]:
    """Only of what either mastoid gives alike."""
    texts = []
    if way := _alike([certain_ways(changes, step, "horizontal", VIBRATION_DPS) for step in MASTOIDS]):
        other = "left" if way == "right" else "right"
        outlasts = any(f.key == ENDS and (f.value or 0.0) > OUTLASTS_S for f in changes)
        texts.append(
            f"{way.capitalize()}-beating with vibration of either mastoid: fits reduced function on the "
            f"{other}, and dehiscence of the {way} superior canal. Repeat once: it has to be reproducible."
            f"{' It outlasts the vibration: a response to it stops with it.' if outlasts else ''}"
        )
    if way := _alike([_upright_ways(changes, step, VIBRATION_DPS) for step in MASTOIDS]):
        name = BEAT_NAMES[way].capitalize()
        texts.append(f"{name} with vibration of either mastoid: {_upright(changes, MASTOIDS)}")
    return tuple(texts)


def breathing_words(changes: Sequence[Finding]) -> tuple[str, ...]:
    """Of what changes in the last seconds of breathing or in the first ones after it."""
    across = {
        way for step in BREATHED for way in certain_ways(changes, step, "horizontal", BREATHING_DPS)
    } - {""}
    upright = {step: _upright_ways(changes, step, BREATHING_DPS) for step in BREATHED}
    upward = {w: [s for s in BREATHED if w in upright[s]] for w in sorted(set().union(*upright.values()))}
    head = "with deep breathing (or less the other way than at rest)"
    return (
        *(
            f"Toward {way}-beating {head}: fits irritation on the {way} (with deafness or reduced function "
            "of that ear a cause behind the cochlea has to be looked for), reduced function on the other "
            "side, and a central cause."
            for way in sorted(across)
        ),
        *(f"Toward {BEAT_NAMES[w]} {head}: {_upright(changes, steps)}" for w, steps in upward.items()),
    )


def _alike(ways: Sequence[set[str]]) -> str:
    """The one direction of all; "" where there is none, several, or another."""
    return next(iter(ways[0])) if len(ways[0]) == 1 and all(w == ways[0] for w in ways) else ""


def _upright_ways(changes: Sequence[Finding], step: str, least_dps: float) -> set[str]:
    """Certain directions of the vertical changes of a step, of eyes that move across no faster."""
    across = {
        f.eye: abs(f.value or 0.0) for f in changes if (f.key, f.step, f.axis) == (CHANGE, step, "horizontal")
    }
    own = [f for f in changes if abs(f.value or 0.0) >= across.get(f.eye, 0.0)]
    return certain_ways(own, step, "vertical", least_dps) - {""}


def _upright(changes: Sequence[Finding], steps: Collection[str]) -> str:
    """No single canal moves the eye up or down without turning it."""
    torsion = {torsion_of([f for f in changes if (f.key, f.step) == (CHANGE, step)]) for step in steps}
    if torsion == {""}:
        return f"no single canal gives this without torsion; {CENTRAL}."
    return f"{CENTRAL}, and a vertical canal or its nerve, as torsion was not measured near zero."
