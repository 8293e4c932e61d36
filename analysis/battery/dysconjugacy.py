"""Whether both eyes are equally fast in the same saccade, and what it fits where one is slower.

The index holds the eye that turns out against the one that turns in: slowed adduction makes it large. Of 40
healthy people it was 0.922 +- 0.072, at most 1.09 (Frohman et al., JNNP 2002;73:51-55, abstract).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from analysis.battery.stimulus_findings import Place, of_estimate, of_repeats
from analysis.estimate import Z_95, must_be_finite
from analysis.finding import Finding
from analysis.limits import LIMITS, Age, judge
from analysis.procedure import RedFlag
from analysis.saccades import Answer
from capture.samples import EYES, Eye

INDEX = "versional_dysconjugacy"
LEAST = 8  # saccades to one side, clinical reference 9
HEALTHY, HEALTHY_SPREAD = 0.922, 0.072
HIGHEST_HEALTHY = next(row.high for row in LIMITS if row.measure == f"{INDEX}_right")
LOWEST_HEALTHY = HEALTHY - 2 * HEALTHY_SPREAD
SCALES_DIFFER = 1.1  # of the two eyes, clinical reference 3.3: a larger difference of gains is to be checked
# A usable calibration leaves 1 deg at 10 deg on the mean: 1.1 / 0.9 between two eyes; 1.5 is far beyond it.
NO_SCALE = 1.5
WORD_SETTINGS = {
    "dysconjugacy_healthy": HEALTHY,
    "dysconjugacy_lowest_healthy": LOWEST_HEALTHY,
    "dysconjugacy_scales_differ": SCALES_DIFFER,
    "dysconjugacy_no_scale": NO_SCALE,
}
ADDUCTING: dict[str, Eye] = {"right": "left", "left": "right"}  # the right eye adducts to the left
OF_SCALE = (
    ": not told apart from a wrong scale of one eye, which raises the index of one side as much as it lowers "
    "that of the other. No pattern is named; calibrate each eye by itself."
)

Given = Mapping[tuple[str, Eye], tuple[Answer, ...]]  # answers by step and eye
Missing = Mapping[tuple[str, Eye], str]  # why there are none


def versional_index(abducting_dps: float, adducting_dps: float) -> float:
    """Peak velocity of the eye that turns out over that of the eye that turns in, in the same saccade.

    NaN where one of them is not known. Raises ValueError for an adducting eye that rests.

    >>> versional_index(410.0, 250.0)
    1.64
    """
    if adducting_dps == 0:
        raise ValueError(f"adducting_dps must not be 0, got {adducting_dps}")
    return abducting_dps / adducting_dps


def healthy_deviations(index: float) -> float:
    """Standard deviations from the mean of healthy people. Raises ValueError for an index not finite."""
    must_be_finite(index=index)
    return (index - HEALTHY) / HEALTHY_SPREAD


def between_eyes(given: Given, missing: Missing, eyes: Sequence[Eye], age: Age | None) -> list[Finding]:
    """The index of each step and direction; `missing` says why an eye of a step is not compared."""
    found = []
    for step in dict.fromkeys(step for step, _ in given):
        for sign, way in ((1, "right"), (-1, "left")):
            blank = Place(step, axis=0).finding(
                f"{INDEX}_{way}", f"versional dysconjugacy index, {way}", "", "-",
                "peak velocity of the abducting eye / of the adducting eye, same saccade, median",
            )  # fmt: skip
            if why := _why_none(step, missing, eyes):
                found.append(of_estimate(blank, why))
                continue
            pairs = [
                (right.peak_velocity_dps, left.peak_velocity_dps)
                for right, left in zip(*(given[step, eye] for eye in EYES), strict=True)
                if right.jump.size_deg * sign > 0
            ]
            ratios = [versional_index(*(pair if sign > 0 else pair[::-1])) for pair in pairs]
            known = [ratio for ratio in ratios if np.isfinite(ratio)]
            index = of_repeats(blank, known, len(pairs), LEAST, "saccades with both velocities")
            found.append(judge(index, "fixation", age))
    return found


def _why_none(step: str, missing: Missing, eyes: Sequence[Eye]) -> str:
    if len(eyes) < 2:
        return "one eye recorded"
    return "; ".join(f"{eye} eye: {why}" for eye in eyes if (why := missing.get((step, eye))))


def index_texts(found: Sequence[Finding]) -> tuple[str, ...]:
    """One sentence a direction: the index as it stands."""
    return tuple(
        f"Both eyes, {f.name.rpartition(', ')[2]}: dysconjugacy index {f.value:.2f} "
        f"(z = {healthy_deviations(f.value):.1f})."
        for f in found
        if f.key.startswith(INDEX) and f.value is not None
    )


def what_fits(found: Sequence[Finding]) -> tuple[str, ...]:
    """Versional disconjugacy that neither chance nor the scale of one eye explains, with what else fits."""
    texts = []
    for way, index, other in _pairs(found):
        head = f"Versional disconjugacy to the {way}"
        if _is_high(index, other):
            beyond = _beyond_scale(index, other, 1)
            texts.append(f"{head}{_slow_adduction(way, index) if beyond else OF_SCALE}")
        elif _below(index, LOWEST_HEALTHY) and _beyond_scale(index, other, -1):
            texts.append(f"{head}{_slow_abduction(way, index)}")
    return tuple(texts)


def _slow_adduction(way: str, index: Finding) -> str:
    eye = ADDUCTING[way]
    return (
        f": adduction of the {eye} eye is slow (index {index.value:.2f}, healthy people up to "
        f"{HIGHEST_HEALTHY}). Fits internuclear ophthalmoplegia named after the {eye} eye; weakness of the "
        "muscle that turns this eye in, or of its nerve, and myasthenia also fit."
    )


def _slow_abduction(way: str, index: Finding) -> str:
    return (
        f": abduction of the {way} eye is slow (index {index.value:.2f}, healthy people from about "
        f"{LOWEST_HEALTHY:.2f}). Fits weakness of the muscle that turns this eye out, or of its nerve; "
        "exchanged cameras also fit: they make this of slow adduction."
    )


def red_flags(found: Sequence[Finding]) -> tuple[RedFlag, ...]:
    """Slowed adduction of one eye is on the clinic's list."""
    slow = [
        f"of the {ADDUCTING[way]} eye (index {index.value:.2f} to the {way})"
        for way, index, other in _pairs(found)
        if _is_high(index, other) and _beyond_scale(index, other, 1)
    ]
    return (RedFlag(f"Slow adduction {' and '.join(slow)}."),) if slow else ()


def _pairs(found: Sequence[Finding]) -> list[tuple[str, Finding, Finding | None]]:
    """Each direction's index that has a value, and that of the other direction in the same step."""
    known = {(f.step, f.key): f for f in found if f.key.startswith(INDEX) and f.value is not None}
    return [
        (way, f, known.get((step, f"{INDEX}_{ADDUCTING[way]}")))
        for (step, key), f in known.items()
        if (way := key.rpartition("_")[2])
    ]


def _is_high(index: Finding, other: Finding | None) -> bool:
    """Beyond healthy people; beside a still higher one of the other side, by the most that scales differ."""
    beside = other is not None and (other.value or 0.0) > (index.value or 0.0)
    bar = HIGHEST_HEALTHY * (SCALES_DIFFER if beside else 1.0)
    return index.interval is not None and index.interval[0] > bar


def _below(index: Finding, bar: float) -> bool:
    return index.interval is not None and index.interval[1] < bar


def _beyond_scale(index: Finding, other: Finding | None, way: int) -> bool:
    """Whether the index is beyond healthy people even if one eye's scale is wrong.

    A wrong scale raises the index of one direction and lowers that of the other by the same factor, so their
    product is free of it. Without the other, only what no scale explains is. `way`: 1 above, -1 below.
    """
    if not index.value:
        return False
    if other is None or not other.value:
        if way < 0:
            return _below(index, LOWEST_HEALTHY / NO_SCALE)
        return index.interval is not None and index.interval[0] > HIGHEST_HEALTHY * NO_SCALE
    bar = math.log(HEALTHY * (HIGHEST_HEALTHY if way > 0 else LOWEST_HEALTHY))
    error = math.hypot(*((f.standard_error or 0.0) / (f.value or 1.0) for f in (index, other)))
    return way * (math.log(index.value * other.value) - bar) > Z_95 * error
