"""What the findings of a positional test say: findings, flags and patterns, never a diagnosis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.battery.spontaneous_words import Reading, speed, what_is_found
from analysis.battery.stepwise import Measured
from analysis.estimate import Estimate
from analysis.finding import Finding
from analysis.limits import LIMITS
from analysis.marking import marked
from analysis.nystagmus import BEAT_NAMES
from analysis.positional import is_even, time_constant
from analysis.positional_findings import (
    ASYMMETRY,
    DURATION,
    LATENCY,
    PEAK,
    horizontal_asymmetry,
    sides,
)
from analysis.positional_kinds import KindSettings, Seen, seen
from analysis.positional_patterns import (
    direction_fixed,
    horizontal_canal,
    one_sided,
    turned_round,
    vertical_canal,
)
from analysis.positional_responses import HORIZONTAL, Response
from analysis.procedure import RedFlag
from capture.samples import Eye

SIDE_ERRORS = 3.29  # standard errors (99.9 %) by which the sides must differ before one is named
UNEVEN = (
    "The nystagmus of a side does not rise and fade evenly: alertness may have changed between the sides, so "
    "the faster side is not named. Repeat with the patient kept alert."
)
SIDE_PERCENT = 5.0  # and by this much: two turns of the head are never quite alike (design choice)


@dataclass(frozen=True, slots=True)
class Positions:
    """All that the words are drawn from."""

    responses: tuple[Response, ...]
    measured: Measured
    findings: tuple[Finding, ...]
    kinds: KindSettings

    def held(self) -> list[Response]:
        """Responses in positions that were held; sitting up is not."""
        return [r for r in self.responses if r.step is not None and r.step.waits_for_nystagmus]

    def value_of(self, response: Response, key: str, axis: str) -> Finding:
        """A finding of this response."""
        wanted = (key, response.key, response.eye, axis)
        return next(f for f in self.findings if (f.key, f.step, f.eye, f.axis) == wanted)


def healthy_dps(axis: str) -> float:
    """Peak that healthy people do not exceed in a position; torsion, without a limit, as vertical."""
    wanted = "horizontal" if axis == "horizontal" else "vertical"
    return next(row.high for row in LIMITS if row.measure == PEAK and wanted in row.axes)


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
    there = [_component(f) for f in peaks if f.value is not None]
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
    return f"{name} {marked(f'{speed(finding.value or 0.0)} deg/s', finding.unit, finding.marks)}"


def _seconds(finding: Finding) -> str:
    if finding.value is None:
        return f"not assessed ({finding.reason})"
    between = f" ({finding.interval[0]:.1f} to {finding.interval[1]:.1f})" if finding.interval else ""
    return f"{finding.value:.1f} s{between}"


def _side_texts(positions: Positions) -> list[str]:
    return [
        f"Asymmetry between the sides, {f.eye} eye: {f.value:.0f} % (95 % interval {f.interval[0]:.0f} to "
        f"{f.interval[1]:.0f}; positive: stronger with the right ear down)."
        for f in positions.findings
        if f.key == ASYMMETRY and f.value is not None and f.interval is not None
    ]


def red_flags(positions: Positions) -> tuple[RedFlag, ...]:
    """Pure vertical or torsional nystagmus in a position, faster than healthy people show it there."""
    if not all(m.direction_proven and m.calibrated for m in positions.measured.marking.values()):
        return ()  # a turned picture exchanges the axes; without degrees nothing is above a range
    pure: dict[tuple[str, str], list[Seen]] = {}
    for response in positions.responses:
        shown = seen(response, positions.kinds)
        if shown is not None and shown.kind.startswith("pure") and shown.speed_dps > healthy_dps("vertical"):
            pure.setdefault((shown.key, shown.kind), []).append(shown)
    return tuple(RedFlag(_flag(key, kind, eyes)) for (key, kind), eyes in pure.items())


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
        for text in _of_roll(positions):
            texts[text] = None
    for text in _turned(positions):
        texts[text] = None
    return tuple(texts)


def _agreed(shown: Sequence[Seen]) -> Seen | str | None:
    """The one of several eyes' nystagmus that stands for all, or how they differ; None without any.

    An eye whose torsion is not known agrees with one whose torsion is.
    """
    if not shown:
        return None
    best = min(shown, key=lambda s: "not known" in s.kind)
    for other in shown:
        same = other.kind == best.kind or other.kind == f"{best.kind.split()[0]}, torsion not known"
        torsion = None in (best.torsional_to, other.torsional_to) or best.torsional_to == other.torsional_to
        level = best.kind != "horizontal" or best.horizontal_to == other.horizontal_to
        if not (same and torsion and level):
            return (
                f"the eyes differ ({best.eye}: {best.kind}, {other.eye}: {other.kind}): no pattern is named"
            )
    return best


def _shown(positions: Positions, key: str) -> list[Seen]:
    found = (seen(r, positions.kinds) for r in positions.responses if r.key == key)
    return [s for s in found if s is not None]


def _alone(positions: Positions, key: str) -> bool:
    """Whether one of two eyes that were assessed shows no nystagmus: canals move both."""
    able = [r for r in positions.responses if r.key == key and not r.reasons[HORIZONTAL]]
    return len(able) > len(_shown(positions, key))


def _of_position(positions: Positions, key: str) -> list[str]:
    """What a position shows by itself; horizontal nystagmus of a roll is told from both sides together."""
    agreed = _agreed(_shown(positions, key))
    if agreed is None:
        return []
    if isinstance(agreed, str):
        return [f"{key.capitalize()}: {agreed}."]
    if _alone(positions, key):
        return [f"{key.capitalize()}: {agreed.kind}, seen in the {agreed.eye} eye alone: no canal is named."]
    both = _rolled(positions)
    if key in [s.key for s in both] and not all(_is_slow(positions, s) for s in both):
        return []
    if _is_slow(positions, agreed):
        return [
            f"{key.capitalize()}: {agreed.kind}, no faster than healthy people show it in a position: no "
            "canal is named."
        ]
    rolled = any(sides(positions.responses, eye) for eye in positions.measured.marking)
    return [] if rolled and agreed.kind == "horizontal" else [vertical_canal(agreed)]


def _is_slow(positions: Positions, shown: Seen) -> bool:
    """Whether it stays within what healthy people show; without degrees that cannot be told."""
    if not positions.measured.marking[shown.eye].calibrated:
        return False
    return shown.speed_dps <= healthy_dps("horizontal" if shown.kind == "horizontal" else "vertical")


def _of_roll(positions: Positions) -> tuple[str, ...]:
    """Horizontal nystagmus with either ear down."""
    pairs: dict[Eye, tuple[Response, Response]] = {
        e: p for e in positions.measured.marking if (p := sides(positions.responses, e))
    }
    right, left = next(iter(pairs.values()))
    if fixed := _raw_direction(positions, right.key, left.key):
        return (direction_fixed(fixed),)
    able = _rolled(positions)
    if all(_is_slow(positions, s) for s in able):
        return ()
    if len(able) == 2:
        stronger = _stronger(pairs)
        if stronger and not all(_alike(*pair) for pair in pairs.values()):
            return (*horizontal_canal(able[0], able[1], None), UNEVEN)
        return horizontal_canal(able[0], able[1], stronger)
    still = not all(_shown(positions, key) for key in (right.key, left.key))
    return (one_sided(able[0]),) if still else ()


def _rolled(positions: Positions) -> list[Seen]:
    """Horizontal nystagmus of the right and of the left ear down, of each that both eyes show alike.

    A side that is no faster than healthy people show it counts beside one that is: together they are not
    what healthy people show, and the slower side tells the canal as well as the faster.
    """
    pairs = [p for e in positions.measured.marking if (p := sides(positions.responses, e))]
    keys = [response.key for response in pairs[0]] if pairs else []
    found = [_agreed(_shown(positions, key)) for key in keys if not _alone(positions, key)]
    return [s for s in found if isinstance(s, Seen) and s.kind == "horizontal"]


def _alike(right: Response, left: Response) -> bool:
    """Whether both sides' courses are those of an equally wakeful patient."""
    runs = [r.run(HORIZONTAL) for r in (right, left)]
    if runs[0] is None or runs[1] is None:
        return True
    settings = right.settings
    early, late = sorted(float(run.time_s[run.peak]) - run.start_s for run in runs if run is not None)
    lasting = any(response.still_runs(HORIZONTAL) for response in (right, left))
    uneven = late - early > settings.uneven_rise_s and late > settings.uneven_rise * early
    taus = [t.value for run in runs if run and isinstance(t := time_constant(run, settings), Estimate)]
    uneven |= len(taus) == 2 and max(taus) > settings.uneven_decline * min(taus)
    return not (uneven and not lasting) and all(is_even(run, settings) for run in runs if run is not None)


def _raw_direction(positions: Positions, *keys: str) -> Eye | None:
    """Side to which an eye with nystagmus in the baseline beats in both positions, nothing taken off.

    Where a position adds a run to it, that is the side at the run's peak: a paroxysm is short beside the
    nystagmus that goes on after it.
    """
    for eye in positions.measured.marking:
        mine = [r for key in keys for r in positions.responses if (r.key, r.eye) == (key, eye)]
        if not mine or not mine[0].baseline_dps[HORIZONTAL] or not all(r.part.accepted for r in mine):
            continue
        ways: set[Eye] = {_raw_way(r) for r in mine}
        if len(ways) == 1:
            return ways.pop()
    return None


def _raw_way(response: Response) -> Eye:
    run = response.run(HORIZONTAL)
    if run is None:
        slow = [b.slow_phase_velocity_dps[HORIZONTAL] for b in response.part.accepted]
        return "right" if 2 * sum(v < 0 for v in slow) > len(slow) else "left"
    at_peak_dps = float(run.envelope_dps[run.peak]) + response.baseline_dps[HORIZONTAL]
    return "right" if at_peak_dps < 0 else "left"


def _stronger(pairs: dict[Eye, tuple[Response, Response]]) -> Eye | None:
    """The side of the faster horizontal nystagmus, where every eye is sure of it."""
    named: set[Eye | None] = set()
    for right, left in pairs.values():
        if right.peak(HORIZONTAL) is None or left.peak(HORIZONTAL) is None:
            continue
        uneven = horizontal_asymmetry(right, left, SIDE_ERRORS)
        low, high = uneven.interval
        sure = abs(uneven.value) >= SIDE_PERCENT
        named.add("right" if sure and low > 0 else "left" if sure and high < 0 else None)
    return named.pop() if len(named) == 1 else None


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
