"""What the findings of a positional test say: findings, flags and patterns, never a diagnosis."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.battery.positional_roll import both_sides, of_roll
from analysis.battery.positional_shown import (
    Positions,
    healthy_dps,
    is_slow,
    one_for_all,
    seen_alone,
    shown_in,
)
from analysis.battery.spontaneous_words import Reading, speed, what_is_found
from analysis.finding import Finding
from analysis.marking import marked, rounded
from analysis.nystagmus import BEAT_NAMES
from analysis.positional_findings import ASYMMETRY, DURATION, LATENCY, PEAK, sides
from analysis.positional_kinds import Seen, seen
from analysis.positional_patterns import BENT, bow_against_lean, turned_round, vertical_canal
from analysis.positional_responses import HORIZONTAL, Response
from analysis.procedure import RedFlag


def what_was_found(positions: Positions) -> tuple[str, ...]:
    """One sentence a step: medians at rest, and the course where somebody was moved."""
    measured = positions.measured
    reading = Reading(measured.windows, measured.findings, measured.marking)
    moved = {r.key for r in positions.responses}
    texts = []
    for window, sentence in zip(measured.windows, what_is_found(reading), strict=False):
        mine = [r for r in positions.responses if r.key == window.key]
        words = "; ".join(_eye_text(positions, r) for r in mine)
        texts.append(f"{window.key.capitalize()}: {words}." if window.key in moved else sentence)
    return (*texts, *_side_texts(positions))


def _eye_text(positions: Positions, response: Response) -> str:
    """Such as "right eye up-beating 40 deg/s at its peak, latency 3.1 s, lasts 18 s"."""
    eye = f"{response.eye} eye"
    if response.reasons[HORIZONTAL]:
        return f"{eye} not assessed ({response.reasons[HORIZONTAL]})"
    peaks = [positions.value_of(response, PEAK, axis) for axis in ("horizontal", "vertical", "torsional")]
    there = [_component(f) for f in peaks if f.present]
    unseen = [f"{f.axis} part not assessed" for f in peaks if f.present is None]
    if not there or response.main_axis is None:
        return ", ".join((f"{eye} {response.why_none(HORIZONTAL)}", *unseen))
    main = str(peaks[response.main_axis].axis)
    timing = [
        f"{name} {_seconds(positions.value_of(response, key, main))}"
        for key, name in ((LATENCY, "latency"), (DURATION, "duration"))
    ]
    beyond = " beyond the baseline" if any(response.baseline_dps) else ""
    return f"{eye} {' and '.join(there)} at the peak{beyond}, {', '.join((*timing, *unseen))}"


def _component(finding: Finding) -> str:
    name = BEAT_NAMES.get(finding.direction, f"{finding.axis} nystagmus")
    if finding.value is None:
        return f"{name}, how fast not assessed ({finding.reason})"
    return f"{name} {marked(f'{speed(finding.value or 0.0)} deg/s', finding.unit, finding.marks)}"


def _seconds(finding: Finding) -> str:
    if finding.value is None:
        return f"not assessed ({finding.reason})"
    between = f" ({finding.interval[0]:.1f} to {finding.interval[1]:.1f})" if finding.interval else ""
    return f"{finding.value:.1f} s{between}"


def _side_texts(positions: Positions) -> list[str]:
    return [
        f"Asymmetry between the sides, {f.eye} eye: {rounded(f.value, 0)} % (95 % interval "
        f"{rounded(f.interval[0], 0)} to {rounded(f.interval[1], 0)}; positive: stronger "
        "with the right ear down)."
        for f in positions.findings
        if f.key == ASYMMETRY and f.value is not None and f.interval is not None
    ]


def red_flags(positions: Positions) -> tuple[RedFlag, ...]:
    """Pure vertical or torsional nystagmus in a position, faster than healthy people show it there.

    That which was there at rest and grows is flagged all the same: down-beating may only grow in a position.
    """
    if not all(m.direction_proven and m.calibrated for m in positions.measured.marking.values()):
        return ()  # a turned picture exchanges the axes; without degrees nothing is above a range
    pure: dict[tuple[str, str], list[Seen]] = {}
    for response in positions.responses:
        shown = seen(response, positions.kinds)
        if shown is None or not shown.kind.startswith("pure") or shown.speed_dps <= healthy_dps("vertical"):
            continue
        if not _lifted_upper_eye(shown, shown_in(positions, shown.key)):
            pure.setdefault((shown.key, shown.kind), []).append(shown)
    return tuple(RedFlag(_flag(key, kind, eyes)) for (key, kind), eyes in pure.items())


def _lifted_upper_eye(shown: Seen, both: Sequence[Seen]) -> bool:
    """Whether the lower ear's posterior canal explains it: it mostly lifts the upper eye (from memory)."""
    lower = [s for s in both if s.eye == shown.ear_down != shown.eye]
    turning = [s for s in lower if s.kind == "up and torsional" and s.torsional_to == shown.ear_down]
    return shown.kind == "pure up" and bool(turning)


def _flag(key: str, kind: str, eyes: Sequence[Seen]) -> str:
    name = {"pure up": "up-beating", "pure down": "down-beating"}.get(kind, "torsional")
    speeds = " and ".join(f"{speed(s.speed_dps)} deg/s ({s.eye} eye)" for s in eyes)
    return (
        f"{key.capitalize()}: purely {name} positional nystagmus, {speeds}. No single canal gives this, "
        "whatever its latency and duration."
    )


def what_fits(positions: Positions) -> tuple[str, ...]:
    """Patterns that the findings fit, each with what else fits. Empty without nystagmus."""
    held = positions.held()
    if not any(seen(r, positions.kinds) for r in held):
        return ()
    if unproven := [e for e, m in positions.measured.marking.items() if not m.direction_proven]:
        return (f"{' and '.join(unproven)} eye: direction not proven: no pattern is named.",)
    texts: dict[str, None] = {}
    for key in dict.fromkeys(r.key for r in held):
        for text in _of_position(positions, key):
            texts[text] = None
    if any(sides(positions.responses, eye) for eye in positions.measured.marking):
        for text in of_roll(positions):
            texts[text] = None
    for text in (*_bow_and_lean(positions), *_turned(positions)):
        texts[text] = None
    return tuple(texts)


def _of_position(positions: Positions, key: str) -> list[str]:
    """What a position shows by itself; horizontal nystagmus of a roll is told from both sides together."""
    agreed = one_for_all(shown_in(positions, key))
    if agreed is None:
        return []
    if isinstance(agreed, str):
        return [f"{key.capitalize()}: {agreed}."]
    if seen_alone(positions, key):
        return [f"{key.capitalize()}: {agreed.kind}, seen in the {agreed.eye} eye alone: no canal is named."]
    both = both_sides(positions)
    if key in [s.key for s in both] and not all(is_slow(positions, s) for s in both):
        return []
    if is_slow(positions, agreed):
        why = "no faster than healthy people show it in a position"
        if agreed.of_baseline:
            why = "no more than the nystagmus of the baseline that grows or fades"
        return [f"{key.capitalize()}: {agreed.kind}, {why}: no canal is named."]
    rolled = any(sides(positions.responses, eye) for eye in positions.measured.marking)
    return [] if rolled and agreed.kind == "horizontal" else [vertical_canal(agreed)]


def _bow_and_lean(positions: Positions) -> list[str]:
    """That the two contradict each other; nothing where either is slow or not told."""
    told = [s for key in BENT if isinstance(s := one_for_all(shown_in(positions, key)), Seen)]
    if len(told) < len(BENT) or any(is_slow(positions, s) for s in told):
        return []
    return bow_against_lean(*told)


def _turned(positions: Positions) -> list[str]:
    """Nystagmus that turned round in its position, or in the next one on sitting up."""
    texts = []
    rolled = any(sides(positions.responses, eye) for eye in positions.measured.marking)
    for response in positions.held():
        shown, axis = seen(response, positions.kinds), response.main_axis
        if shown is None or axis is None or response.main is None:
            continue
        later = [shown] if response.reversal(axis) else []
        later += [
            s
            for r in positions.responses
            if r.eye == response.eye and r.step is not None and not r.step.waits_for_nystagmus
            and (run := r.run(axis)) and run.sign == -response.main.sign and (s := seen(r, positions.kinds))
            and not rolled
        ]  # fmt: skip
        texts.append(turned_round(shown, later))
    return [text for text in texts if text]
