"""What four irrigations say in words: a weakness with its side, the criterion of both sides, what it fits."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.battery.caloric_measures import GAIN, MONOTHERMAL, WEAKNESS
from analysis.caloric import (
    HYPERACTIVE_SUM_DPS,
    PRESBY_AGE_YEARS,
    Responses,
    both_sides,
    ear_sum,
    may_stop_after_warm,
)
from analysis.finding import Finding
from analysis.limits import Age
from capture.samples import EYES, Eye


def side_words(percent: float) -> str:
    """A weakness in words that carry the side.

    >>> side_words(-45.0), side_words(0.2)
    ('45 % right', '0 %')
    """
    size = f"{abs(percent):.0f} %"
    return size if float(f"{abs(percent):.0f}") == 0 else f"{size} {'left' if percent > 0 else 'right'}"


def words_of(responses: Responses, eye: Eye, found: Sequence[Finding], age: Age | None) -> list[str]:
    """Sentences for one eye."""
    by_key = {f.key: f for f in found if f.eye == eye}
    weakness, gain = by_key[WEAKNESS], by_key[GAIN]
    texts = []
    if by_key["right_sum"].value is not None and not by_key["right_sum"].marks:
        texts += _of_sums(responses, eye, age)
    if weakness.value is None:
        texts.append(f"{eye.capitalize()} eye: unilateral weakness not assessed ({weakness.reason}).")
    elif weakness.interval is not None and not any("bilateral vestibulopathy is met" in t for t in texts):
        near, far = sorted(weakness.interval, key=abs)
        texts.append(
            f"{eye.capitalize()} eye: unilateral weakness (canal paresis) {side_words(weakness.value)}; 95 % "
            f"interval {side_words(near)} to {side_words(far)}."
        )
    if gain.value is None and weakness.value is not None:
        texts.append(f"{eye.capitalize()} eye: gain asymmetry not assessed ({gain.reason}).")
    warm = all((ear, "warm") in responses for ear in EYES) and not by_key[MONOTHERMAL].marks
    if warm and not all((ear, "cool") in responses for ear in EYES):
        texts.append(_warm_text(may_stop_after_warm(responses), eye))
    return texts


def _warm_text(stop: bool | str, eye: Eye) -> str:
    said = {
        True: "the warm irrigations are even and fast: the cool ones may be left out",
        False: "the warm irrigations do not suffice: go on with the cool ones",
    }
    rule = "(needed: below 15 %, both above 8 deg/s, below 4 deg/s before: Ear Hear 2009;30:54-62, abstract)"
    words = said[stop] if isinstance(stop, bool) else f"the warm irrigations decide nothing: {stop}"
    return f"{eye.capitalize()} eye: {words} {rule}."


def _of_sums(responses: Responses, eye: Eye, age: Age | None) -> list[str]:
    sums = " and ".join(f"{ear} {ear_sum(responses, ear).value:.1f}" for ear in EYES)
    head = f"{eye.capitalize()} eye: sums {sums} deg/s"
    met = both_sides(responses, _certain_years(age))
    texts = {
        "bilateral": f"{head}: the caloric part of the criterion for bilateral vestibulopathy is met (each "
        "below 6 deg/s: J Vestib Res 2017;27:177-189, abstract). A weakness of one side would be noise. Fits "
        "loss on both sides, and technique, alertness or calibration: repeat.",
        "presby": f"{head}: each between 6 and 25 deg/s at 60 years or more, the caloric part of the "
        "criterion for presbyvestibulopathy (J Vestib Res 2019;29:161-170, abstract).",
        "age": f"{head}: each between 6 and 25 deg/s; whether that is low for the age is not known.",
    }
    found = [texts[met]] if met else []
    if min(ear_sum(responses, ear).value for ear in EYES) > HYPERACTIVE_SUM_DPS:
        found.append(f"{head}: above 140 deg/s on each side (from memory, contested): look at alertness, "
                     "calibration and fixation first.")  # fmt: skip
    return found


def _certain_years(age: Age | None) -> int | None:
    """Age by which the criterion of 60 years is decided; None where what is known of it leaves that open."""
    if age is None or age.low_years < PRESBY_AGE_YEARS <= age.high_years:
        return None
    return age.low_years


def what_fits(found: Sequence[Finding]) -> tuple[str, ...]:
    """A side only where every eye that was assessed is beyond the limit on the same side."""
    weak = [f for f in found if f.key == WEAKNESS and f.value is not None]
    if not weak or any(f.verdict != "outside" for f in weak):
        return ()
    sides = {"left" if (f.value or 0.0) > 0 else "right" for f in weak}
    bounds = [f.interval for f in weak if f.interval is not None]
    if len(sides) > 1 or any(low <= 0 <= high for low, high in bounds):
        return ("Unilateral weakness beyond the limit, side not decided.",)
    side = sides.pop()
    return (
        f"Fits reduced function of the {side} horizontal canal or its nerve, up to where that enters the "
        "brainstem. It does not tell how much of the ear is lost, nor the cause, nor compensation.",
    )
