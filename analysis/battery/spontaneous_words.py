"""What the findings of spontaneous nystagmus say: findings, flags and patterns, never a diagnosis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analysis.battery.pendular_findings import pendular_flags, pendular_texts
from analysis.eye_window import VELOCITY
from analysis.finding import Finding
from analysis.fixation import suppression_percent
from analysis.limits import LIMITS
from analysis.marking import DIRECTION_NOT_PROVEN, Marking, marked, rounded
from analysis.nystagmus import BEAT_NAMES
from analysis.procedure import RedFlag, Window
from capture.samples import AXES, Eye

# Mantokoudis et al., Neurology 2021;97:e42-e51 (abstract): in acute vestibular syndrome less than this
# pointed to stroke (sensitivity 62 %, specificity 85 %).
FLAGGED_REDUCTION_DPS = 2.0
# Design choices: beyond chance, beyond two gains that differ by 10 % each way, and beyond what matters.
DIFFERING_STANDARD_ERRORS, DIFFERING_SHARE, DIFFERING_DPS = 3.0, 0.25, 2.0
# Of the fastest axis: what a camera rolled by 3 deg and a cross-talk of 5 % bring onto another axis together
# (design choice). What is not surely more makes no pattern, and does not hide that another axis is alone.
OWN_SHARE = 0.1
# Of one axis, within which the others are near zero, two standard errors taken off (design choice; canals lie
# far from it: a posterior one turns the eye with shares of 0.27, 0.67 and 0.69).
NEAR_ZERO_SHARE, NEAR_ZERO_ERRORS = 0.2, 2.0
WORD_SETTINGS = {
    "flagged_reduction_dps": FLAGGED_REDUCTION_DPS,
    "differing_standard_errors": DIFFERING_STANDARD_ERRORS,
    "differing_share": DIFFERING_SHARE,
    "differing_dps": DIFFERING_DPS,
    "own_share": OWN_SHARE,
    "near_zero_share": NEAR_ZERO_SHARE,
    "near_zero_errors": NEAR_ZERO_ERRORS,
}
# Parts of the nerve: Fetter & Dichgans, Brain 1996; Halmagyi et al. 2002 (from memory).
MAINLY_VERTICAL = (
    "Mainly vertical, with a horizontal part: fits a central cause. Loss or irritation of a whole labyrinth "
    "is mainly horizontal, for its vertical canals cancel each other; loss of the nerve's lower part may be "
    "down-beating and torsional."
)
OPPOSITE = {"right": "left", "left": "right"}


@dataclass(frozen=True, slots=True)
class Reading:
    """All that the words are drawn from."""

    windows: tuple[Window, ...]
    findings: tuple[Finding, ...]
    marking: Mapping[Eye, Marking]

    def velocities(self, step: str, axis: str | None = None) -> list[Finding]:
        """Slow-phase velocities of a step, of all axes or one, one an eye."""
        return [f for f in self.findings if f.key == VELOCITY and f.step == step and axis in (None, f.axis)]

    def present(self, step: str, axis: str) -> list[Finding]:
        """Those that the presence rule calls present, and that no faster axis of the eye explains."""
        return [f for f in self.velocities(step, axis) if f.present and not self._is_cross_talk(f)]

    def _is_cross_talk(self, finding: Finding) -> bool:
        if finding.value is None:
            return False
        speeds = [abs(f.value or 0.0) for f in self.velocities(finding.step) if f.eye == finding.eye]
        surely = abs(finding.value) - NEAR_ZERO_ERRORS * (finding.standard_error or 0.0)
        return surely < OWN_SHARE * max(speeds)

    def alone(self, finding: Finding) -> bool:
        """Whether the other axes of this eye and step are near zero beside it, as far as they are known."""
        others = [
            abs(f.value) - NEAR_ZERO_ERRORS * (f.standard_error or 0.0)
            for f in self.velocities(finding.step)
            if f.eye == finding.eye and f.axis != finding.axis and f.value is not None
        ]
        return finding.value is None or max(others, default=0.0) <= NEAR_ZERO_SHARE * abs(finding.value)

    def by_key(self, key: str) -> list[Finding]:
        """Findings over several steps or eyes that have a value."""
        return [f for f in self.findings if f.key == key and f.value is not None]


def speed(value: float) -> str:
    """Slow-phase velocity without its sign, rounded as reports do: 0.1 deg/s below 10, else 1.

    >>> speed(-8.04), speed(12.3)
    ('8.0', '12')
    """
    return f"{abs(value):.1f}" if round(abs(value), 1) < 10 else f"{abs(value):.0f}"


def what_is_found(reading: Reading) -> tuple[str, ...]:
    """One sentence a step, and one an eye for the effect of fixation."""
    texts = [f"{window.key.capitalize()}: {_step_text(reading, window.key)}." for window in reading.windows]
    for index in reading.by_key("fixation_index"):
        less = next(
            f for f in reading.by_key("fixation_reduction") if (f.eye, f.axis) == (index.eye, index.axis)
        )
        texts.append(
            f"Fixation, {index.eye} eye, {index.axis}: index {index.value:.2f} (suppression "
            f"{suppression_percent(index.value or 0.0):.0f} %), "
            f"reduction {marked(f'{less.value:.1f} deg/s', less.unit, less.marks)}."
        )
    return tuple(texts)


def _step_text(reading: Reading, step: str) -> str:
    parts = [_eye_text(reading, step, eye) for eye in reading.marking]
    return "; ".join(parts)


def _eye_text(reading: Reading, step: str, eye: Eye) -> str:
    """Such as "right eye right-beating 8.0 deg/s and up-beating 1.2 deg/s"."""
    mine = [f for f in reading.velocities(step) if f.eye == eye]
    there = [_component(f) for f in mine if f.present]
    there += pendular_texts(reading.findings, step, eye)
    if there:
        unproven = f" ({DIRECTION_NOT_PROVEN})" if DIRECTION_NOT_PROVEN in mine[0].marks else ""
        return f"{eye} eye {' and '.join(there)}{unproven}"
    if not_assessed(mine[0]):
        return f"{eye} eye not assessed ({mine[0].reason})"
    unseen = [f"{f.axis} part not assessed" for f in mine if not_assessed(f)]
    return f"{eye} eye no nystagmus by the presence rule" + (f" ({', '.join(unseen)})" if unseen else "")


def not_assessed(velocity: Finding) -> bool:
    """Whether nothing is known of an axis: neither a nystagmus nor that there is none."""
    return velocity.present is None and not velocity.no_beats


def _component(finding: Finding) -> str:
    if finding.value is None:
        return f"{finding.axis} nystagmus whose {finding.reason}"
    name = BEAT_NAMES.get(finding.direction, f"{finding.axis} nystagmus")
    return f"{name} {marked(f'{speed(finding.value)} deg/s', finding.unit, finding.marks)}"


def red_flags(reading: Reading) -> tuple[RedFlag, ...]:
    """Those of the clinic's list that this procedure can show.

    Small vertical nystagmus in the dark is common in healthy people, so a pure vertical or torsional
    nystagmus is flagged in the dark above the healthy range only, and with fixation whenever it is present.
    """
    if not all(m.direction_proven and m.calibrated for m in reading.marking.values()):
        # A turned picture exchanges the axes; without degrees nothing is above a range.
        return tuple(pendular_flags(reading.findings))
    texts = [*_pure(reading, "vertical", "torsional"), *_pure(reading, "torsional", "vertical")]
    flags = [RedFlag(text) for text in (*texts, *_not_reduced(reading))]
    return (*flags, *pendular_flags(reading.findings))


def _pure(reading: Reading, axis: str, other: str) -> list[str]:
    """Nystagmus on one axis alone; what could not be told apart from it says so."""
    pure, untold = [], []
    for window in reading.windows:
        fast = [
            f
            for f in reading.present(window.key, axis)
            if (f.value is None or abs(f.value) > _range(window)) and reading.alone(f)
        ]
        if not fast or reading.present(window.key, "horizontal") or reading.present(window.key, other):
            continue
        measured = all(f.present is not None for f in reading.velocities(window.key, other))
        (pure if measured else untold).append(f"{_component(fast[0])} ({window.key})")
    found = [f"Pure {axis} nystagmus: {', '.join(pure)}. No single canal gives this."] if pure else []
    if untold:
        found.append(
            f"{axis.capitalize()} nystagmus without horizontal part: {', '.join(untold)}. Whether it is "
            f"purely {axis} could not be told: {other} part not assessed."
        )
    return found


def _range(window: Window) -> float:
    """Velocity that healthy people do not exceed in this light, deg/s; in the dark where it is not stated."""
    light = {"light": "fixation", "not stated": "dark"}.get(window.light, window.light)
    return next(row.high for row in LIMITS if (row.measure, row.light) == (VELOCITY, light))


def _not_reduced(reading: Reading) -> list[str]:
    """Nystagmus of at least 4 deg/s in the dark (it has an index) that hardly yields to fixation."""
    able = {(f.eye, f.axis) for f in reading.by_key("fixation_index")}
    found = []
    for axis in AXES:
        few = [
            f"{marked(f'{f.value:.1f}', f.unit, f.marks)} ({f.eye} eye)"
            for f in reading.by_key("fixation_reduction")
            if f.axis == axis and (f.eye, axis) in able
            and f.value is not None and f.value < FLAGGED_REDUCTION_DPS
        ]  # fmt: skip
        if few:
            found.append(
                f"Fixation lowers the {axis} nystagmus by {', '.join(few)} deg/s, less than "
                f"{FLAGGED_REDUCTION_DPS:g}. A red flag if the vertigo is acute and continuous."
            )
    return found


def what_fits(reading: Reading) -> tuple[str, ...]:
    """Patterns that the findings fit, each with what else fits. Empty without nystagmus."""
    step = next((w for w in reading.windows if w.light == "dark"), reading.windows[0]).key
    found = {axis: reading.present(step, axis) for axis in AXES}
    if not any(found.values()):
        return _eyes_differ(reading)
    only = [axis for axis in AXES if found[axis]]
    if len(only) == 1 and only != ["horizontal"] and not all(map(reading.alone, found[only[0]])):
        text = f"Slow {only[0]} nystagmus, the other axes not near zero: no pattern is named."
        return (text, *_eyes_differ(reading))
    if why := _no_pattern(reading, step, found):
        return (f"{why}: no pattern is named.", *_eyes_differ(reading))
    return _by_axes(*found.values()) + _eyes_differ(reading)


def _no_pattern(reading: Reading, step: str, found: Mapping[str, list[Finding]]) -> str:
    """Why the nystagmus of a step is not held against patterns, or ""."""
    involved = [f for axis in AXES for f in found[axis]]
    unproven = dict.fromkeys(f.eye for f in involved if DIRECTION_NOT_PROVEN in f.marks)
    if unproven:
        return f"{' and '.join(map(str, unproven))} eye{'s' * (len(unproven) > 1)}: {DIRECTION_NOT_PROVEN}"
    eyes = {f.eye for f in involved}
    for axis in AXES:
        if all(not_assessed(f) for f in reading.velocities(step, axis) if f.eye in eyes):
            return f"{axis} part not assessed"
        ways = {f.direction for f in found[axis] if f.value is not None}
        if ways == {""}:
            return f"which way it beats is not certain ({axis})"
        if len(ways - {""}) > 1:
            return f"the eyes beat in different directions ({axis})"
        differ = (f for f in reading.by_key("eye_difference") if (f.step, f.axis) == (step, axis))
        if len(eyes) == 1 and found[axis] and any(_is_large(reading, f) for f in differ):
            return f"{found[axis][0].eye} eye alone, which no labyrinth gives ({axis})"
    return ""


def _by_axes(horizontal: list[Finding], vertical: list[Finding], torsional: list[Finding]) -> tuple[str, ...]:
    if any(f.value is None for f in (*horizontal, *vertical, *torsional)):
        return (
            "Direction changes within one step: fits periodic alternating nystagmus (record 4 to 5 minutes), "
            "gaze-evoked nystagmus with wandering gaze, and a recovering or irritated labyrinth.",
        )
    if horizontal and _fastest(vertical) > _fastest(horizontal):
        return (MAINLY_VERTICAL,)
    if horizontal:
        return (_horizontal(next(f for f in horizontal if f.direction)),)
    if vertical and torsional:
        return (
            "Vertical-torsional nystagmus without a horizontal part: fits stimulation or loss of single "
            "canals and a central cause; positional tests are needed.",
        )
    return (
        "Nystagmus on one axis that no single canal gives: fits a central cause; also both anterior or "
        "both posterior canals, drugs, and (slow, in the dark) healthy people.",
    )


def _fastest(found: Sequence[Finding]) -> float:
    return max((abs(f.value or 0.0) for f in found), default=0.0)


def _horizontal(found: Finding) -> str:
    side = found.direction
    healthy = (
        ""
        if found.marks or abs(found.value or 0.0) > LIMITS[0].high
        else " At this velocity healthy people show it in the dark, too."
    )
    return (
        f"{BEAT_NAMES[side].capitalize()}: fits reduced function of the {OPPOSITE[side]} labyrinth or nerve, "
        f"or irritation of the {side} one; a central cause also fits. The direction alone does not name the "
        f"side.{healthy}"
    )


def _eyes_differ(reading: Reading) -> tuple[str, ...]:
    """A difference that neither chance nor a usual error of calibration explains."""
    return tuple(
        f"The eyes differ ({f.step}, {f.axis}): right minus left {rounded(f.value, 1)} deg/s. Fits "
        "dissociated nystagmus and an error of one eye's calibration."
        for f in reading.by_key("eye_difference")
        if f.value is not None and not f.marks and _is_large(reading, f)
    )


def _is_large(reading: Reading, difference: Finding) -> bool:
    speeds = [abs(f.value or 0.0) for f in reading.velocities(difference.step, difference.axis)]
    least = max(
        DIFFERING_STANDARD_ERRORS * (difference.standard_error or 0.0),
        DIFFERING_SHARE * max(speeds),
        DIFFERING_DPS,
    )
    return abs(difference.value or 0.0) > least
