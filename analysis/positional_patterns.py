"""Patterns that positional nystagmus fits, in words, each with what else fits. Never a diagnosis.

Criteria: von Brevern et al., J Vestib Res 2015;25:105-117 (from memory). Central look-alikes: Macdonald et
al., Front Neurol 2017;8:141 (abstract): of 82 central lesions 63.9 % had paroxysms under a minute in the
Dix-Hallpike test and 94.7 % a latency below 3 s, so neither excludes a central cause; the direction did most
of the work (atypical in 97.5 %).
"""

from __future__ import annotations

from collections.abc import Sequence

from analysis.positional_kinds import Seen
from capture.samples import Eye

MINUTE_S = 60.0  # between free debris and debris on the cupula: von Brevern et al. 2015 (from memory)
OPPOSITE: dict[Eye, Eye] = {"right": "left", "left": "right"}
CENTRAL = "central positional nystagmus"
SHORT_IS_NO_PROOF = f"{CENTRAL} also fits: latency and a short course do not exclude it"
BENT = ("bow", "lean")
# Whether geotropic nystagmus of the horizontal canal beats toward the affected ear in this step (apogeotropic
# beats the other way), and who says so.
SUPPORTS: dict[str, tuple[bool, str]] = {
    "lying down": (False, "56 % agreed: Oh et al., BMC Ophthalmol 2014;14:136, abstract"),
    "bow": (True, "74 % agreed: Oh et al., BMC Ophthalmol 2014;14:136, abstract"),
    "lean": (False, "Choung 2006, from memory"),
}
NEVER_ALONE = (
    f"no single canal gives this: {CENTRAL} has to be excluded, however short it is and whatever its latency"
)


def _lasting(seen: Seen) -> str:
    if seen.lasts_s > MINUTE_S:
        return "over a minute"
    return "not known" if seen.still_runs else "under a minute"


def vertical_canal(seen: Seen) -> str:
    """What a nystagmus with the head hanging or on one side fits, one position."""
    where = f"{seen.key.capitalize()}"
    if seen.key in BENT and seen.kind in ("up and torsional", "down and torsional"):
        return f"{where}: {_bent_vertical(seen)}."
    words = {
        "up and torsional": _posterior,
        "down and torsional": _anterior,
        "pure up": _pure,
        "pure down": _pure,
        "pure torsional": _pure,
        "up, torsion not known": _torsion_unknown,
        "down, torsion not known": _torsion_unknown,
        "horizontal": _horizontal,
        "mixed": _mixed,
    }[seen.kind](seen)
    several = seen.more_than_one and seen.kind in ("up and torsional", "down and torsional")
    also = " The horizontal part is large: more than one canal also fits." if several else ""
    return f"{where}: {words}.{also}"


def _posterior(seen: Seen) -> str:
    ear = seen.torsional_to
    if ear is not None and seen.ear_down is not None and ear != seen.ear_down:
        return (
            f"up-beating, upper pole toward the {ear} ear, does not fit the marked side ({seen.ear_down} ear "
            f"down). Fits a wrong ear marked, the {ear} posterior canal, and {CENTRAL}"
        )
    form = {
        "under a minute": "canalolithiasis pattern",
        "over a minute": "cupulolithiasis pattern (emerging entity)",
        "not known": "pattern; whether it lasts over a minute is not decided (the position ended first)",
    }[_lasting(seen)]
    return f"fits {ear} posterior canal {form}; {SHORT_IS_NO_PROOF}"


def _anterior(seen: Seen) -> str:
    return (
        f"down-beating, upper pole toward the {seen.torsional_to} ear: fits {CENTRAL}, and "
        f"{seen.torsional_to} anterior canal pattern (emerging entity). Neither alone"
    )


def _pure(seen: Seen) -> str:
    name = {"pure up": "purely up-beating", "pure down": "purely down-beating"}.get(
        seen.kind, "purely torsional"
    )
    also = {
        "pure down": "; an anterior canal, of either side, may also give it",
        "pure up": "; both posterior canals together may also give it",
    }.get(seen.kind, "")
    return f"{name}: {NEVER_ALONE}{also}"


def _torsion_unknown(seen: Seen) -> str:
    way, canal = ("up", "a posterior") if seen.kind.startswith("up") else ("down", "an anterior")
    return (
        f"{way}-beating, torsion not assessed: whether it is purely vertical could not be told, so neither "
        f"{canal} canal nor {CENTRAL} can be set apart"
    )


def _bent_vertical(seen: Seen) -> str:
    """Bowed, debris inhibits a posterior canal, which looks like the other side's anterior canal excited."""
    return (
        f"{seen.kind.split()[0]}-beating, upper pole toward the {seen.torsional_to} ear: no canal is named "
        "with the head bowed or leaned back. Fits debris of a posterior canal, of either side (Sci Rep 2020, "
        f"PMC7162897, abstract; Dix-Hallpike shows it), and {CENTRAL}"
    )


def _horizontal(seen: Seen) -> str:
    if seen.horizontal_to is None:
        return f"horizontal, to which side is too uncertain: no pattern is named. Fits {CENTRAL} as well"
    if seen.key in SUPPORTS:
        return _supporting(seen.key, seen.horizontal_to)
    return (
        f"horizontal, beating to the patient's {seen.horizontal_to}: not the direction of a vertical canal. "
        f"Fits a horizontal canal (supine roll shows it), spontaneous nystagmus, and {CENTRAL}"
    )


def _supporting(key: str, way: Eye) -> str:
    """The ear that a horizontal nystagmus of this step supports, which the supine roll's pattern decides."""
    toward, source = SUPPORTS[key]
    geotropic = way if toward else OPPOSITE[way]
    return (
        f"horizontal, beating to the patient's {way}: where the supine roll is geotropic it supports the "
        f"{geotropic} ear, where apogeotropic the {OPPOSITE[geotropic]} one; it never names one alone "
        f"({source}). Spontaneous nystagmus and {CENTRAL} also fit"
    )


def bow_against_lean(bow: Seen, lean: Seen) -> list[str]:
    """That bow and lean which beat to the same side contradict each other."""
    level = bow.kind == lean.kind == "horizontal" and bow.horizontal_to is not None
    if not level or bow.horizontal_to != lean.horizontal_to:
        return []
    return ["Bow and lean beat to the same side: they contradict each other, and support neither ear."]


def _mixed(seen: Seen) -> str:
    return f"the direction fits no single canal: several canals together and {CENTRAL} fit"


def horizontal_canal(right: Seen, left: Seen, stronger: Eye | None) -> tuple[str, ...]:
    """What horizontal nystagmus with the right and the left ear down fits.

    `stronger` is the side of the faster nystagmus, None where the asymmetry does not decide it. Side rule:
    geotropic, the stronger side; apogeotropic, the weaker one (Acta Otorhinolaryngol Ital 2013, PMC3773965,
    abstract).
    """
    ways = (right.horizontal_to, left.horizontal_to)
    if None in ways:
        return (
            "The direction of the horizontal nystagmus is too uncertain on one side: no pattern is named.",
        )
    if ways[0] == ways[1]:
        return (direction_fixed(ways[0]),)
    if ways == ("right", "left"):
        return (_geotropic((right, left), stronger),)
    return (_apogeotropic((right, left), stronger),)


def direction_fixed(way: Eye | None) -> str:
    """Words for nystagmus that beats to the same side whichever ear is down."""
    return (
        f"Horizontal, beating to the patient's {way} with either ear down: direction-fixed, no "
        f"horizontal canal pattern. Fits spontaneous nystagmus (reduced function or irritation), {CENTRAL}, "
        "and at times debris (supine roll simulated in three dimensions, PMC9197467, abstract)."
    )


def _geotropic(pair: tuple[Seen, Seen], stronger: Eye | None) -> str:
    lasting = {_lasting(seen) for seen in pair}
    if "over a minute" in lasting:
        return (
            "Geotropic on both sides and lasting over a minute: persistent geotropic nystagmus. Fits a "
            f"light cupula of a horizontal canal and {CENTRAL}. Side not decided: the stronger side does not "
            "name it here (J Clin Med 2020;9:73, abstract)."
        )
    if any(seen.stays for seen in pair):
        return (
            "Geotropic on both sides, and not seen to fade before a position ended: fits free debris or a "
            f"light cupula of a horizontal canal (persistent geotropic nystagmus), and {CENTRAL}. Side not "
            "decided: the stronger side does not name it where the nystagmus lasts (J Clin Med 2020;9:73, "
            "abstract). Repeat, each side held for over a minute."
        )
    side = f"{stronger} horizontal canal" if stronger else "horizontal canal, side not decided"
    ended = " Whether it lasts over a minute is not decided." if "not known" in lasting else ""
    return (
        f"Geotropic on both sides: fits {side}, canalolithiasis pattern"
        f"{' (the stronger side)' if stronger else ''}; {CENTRAL} also fits.{ended}"
    )


def _apogeotropic(pair: tuple[Seen, Seen], stronger: Eye | None) -> str:
    if not all(_lasting(seen) == "over a minute" for seen in pair):
        return (
            "Apogeotropic on both sides, not shown to last over a minute: not decided. Fits debris near "
            f"or on the cupula of a horizontal canal, and {CENTRAL}."
        )
    weaker = OPPOSITE[stronger] if stronger else None
    side = f"{weaker} horizontal canal" if weaker else "horizontal canal, side not decided"
    return (
        f"Apogeotropic on both sides: fits {side}, cupulolithiasis pattern"
        f"{' (the weaker side)' if weaker else ''}; {CENTRAL} also fits."
    )


def one_sided(seen: Seen) -> str:
    """Words for horizontal nystagmus with one ear down only."""
    if seen.horizontal_to is None:
        return (
            f"Horizontal with the {seen.ear_down} ear down only, to which side is too uncertain: no "
            "pattern is named."
        )
    ground = "geotropic" if seen.horizontal_to == seen.ear_down else "apogeotropic"
    return (
        f"Horizontal, {ground}, with the {seen.ear_down} ear down only: no pattern is named. Repeat, "
        "beginning with the other side (debris moves during the test: PMC9197467, abstract)."
    )


def turned_round(before: Seen, after: Sequence[Seen]) -> str:
    """Words for nystagmus that turned round, in the position or on sitting up; "" where none did."""
    places = dict.fromkeys(seen.key for seen in after)
    if not places:
        return ""
    return (
        f"{before.key.capitalize()}: the direction turns round ({', '.join(places)}). Reversal is common "
        "with debris (47 % posterior, 68 % horizontal canal: Front Neurol 2020;11:260, abstract): it names "
        "neither another canal nor a central cause by itself."
    )
