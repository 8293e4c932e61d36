"""The caloric test as a whole: what four irrigations say together."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from analysis.battery.caloric import CALORIC, NOT_CHECKED
from analysis.battery.caloric_findings import BEFORE, CULMINATION, beating
from analysis.calibration_in_intervals import widened
from analysis.caloric import (
    HYPERACTIVE_SUM_DPS,
    IRRIGATIONS,
    PRESBY_AGE_YEARS,
    Irrigation,
    Response,
    Responses,
    absolute_preponderance,
    absolute_weakness,
    baseline_shift,
    both_sides,
    directional_preponderance,
    ear_sum,
    gain_asymmetry,
    linear_paresis,
    may_stop_after_warm,
    monothermal_asymmetry,
    preponderance_of_spontaneous,
    unilateral_weakness,
)
from analysis.estimate import Estimate
from analysis.finding import Finding
from analysis.limits import Age, judge
from analysis.marking import DIRECTION_NOT_PROVEN, RATE_NOT_PROVEN, UNCALIBRATED
from analysis.procedure import Result
from capture.samples import EYES, Eye

KEY, TITLE = "caloric", "Caloric test"
WEAKNESS, PREPONDERANCE, SHIFT = "unilateral_weakness", "directional_preponderance", "baseline_shift"
GAIN, MONOTHERMAL = "gain_asymmetry", "monothermal_asymmetry"
NAMES = {
    "right_sum": ("right ear, warm and cool together", "deg/s", "RW + RC, in the expected directions"),
    "left_sum": ("left ear, warm and cool together", "deg/s", "LW + LC, in the expected directions"),
    WEAKNESS: ("unilateral weakness (positive: left ear weaker)", "%", "100 (R - L) / (R + L)"),
    "absolute_weakness": ("right sum minus left sum", "deg/s", "R - L"),
    "linear_paresis": ("weaker ear against the stronger", "%", "100 (1 - weak / strong)"),
    PREPONDERANCE: (
        "directional preponderance (positive: right-beating stronger)",
        "%",
        "100 ((RW + LC) - (RC + LW)) / (R + L)",
    ),
    "absolute_preponderance": ("right-beating minus left-beating", "deg/s", "(RW + LC) - (RC + LW)"),
    SHIFT: ("baseline shift (positive: right-beating)", "deg/s", "mean right-beating speed of the four"),
    "preponderance_of_spontaneous": (
        "preponderance due to the nystagmus before the irrigations",
        "%",
        "100 (sum of the four before) / (R + L)",
    ),
    GAIN: ("gain asymmetry", "%", "preponderance - that of the nystagmus before the irrigations"),
    MONOTHERMAL: ("warm irrigations alone (positive: left ear weaker)", "%", "100 (RW - LW) / (RW + LW)"),
}
NOT_MEASURED = "nystagmus before each of the irrigations was not measured"
LOST_IN_NOISE = "the responses together are not certainly above 0: a percentage would be noise"


def summarise(irrigations: Sequence[Result], age: Age | None = None) -> Result:
    """The caloric test from the results of its irrigations, in the order in which they were done.

    An irrigation that was repeated counts as it was the last time, and the result says so. Ice water stands
    by itself and enters no formula. What misses an irrigation is not assessed, with its reason.

    Raises ValueError for a result that is of no irrigation.
    """
    known = {procedure.key for procedure in CALORIC}
    for result in irrigations:
        if result.procedure not in known:
            raise ValueError(f"irrigations must be caloric results, got {result.procedure!r}")
    last = {result.procedure: result for result in irrigations}
    found: list[Finding] = []
    words: list[str] = []
    for eye in EYES:
        responses, marks = responses_of(last, eye)
        if responses:
            mine = eye_findings(responses, eye, marks, why_missing(last, eye))
            mine = [_with_gain(f, *gain_of(last, eye)) for f in mine]
            found += [_judged(f, responses, age) for f in mine]
            words += _words(responses, eye, found, age)
    return Result(
        procedure=KEY,
        title=TITLE,
        windows=(),
        findings=tuple(found),
        conclusions=tuple(words),
        fits=_fits(found),
        not_concluded=NOT_CONCLUDED,
        cautions=(*_missing_texts(last), *_repeated_texts(irrigations)),
        choices=CHOICES,
    )


def _missing_texts(last: Mapping[str, Result]) -> list[str]:
    """What of the four is not there, and for which of the recorded eyes it was not assessed."""
    eyes: list[Eye] = [e for e in EYES if any(_finding(r, CULMINATION, e) for r in last.values())]
    eyes = eyes or list(EYES)
    found: dict[str, list[Eye]] = {}
    for eye in eyes:
        for (ear, temperature), why in why_missing(last, eye).items():
            found.setdefault(f"{ear} {temperature}: {why}", []).append(eye)
    return [text if len(whose) == len(eyes) else f"{whose[0]} eye, {text}" for text, whose in found.items()]


def _repeated_texts(irrigations: Sequence[Result]) -> list[str]:
    count = Counter(result.procedure for result in irrigations)
    return [f"{key}: done {n} times; the last one counts" for key, n in count.items() if n > 1]


def _judged(finding: Finding, responses: Responses, age: Age | None) -> Finding:
    """The finding against its limit; a percentage of responses that are too weak on both sides meets none."""
    weak = len(responses) == len(IRRIGATIONS) and both_sides(responses, None) == "bilateral"
    if weak and finding.unit == "%" and finding.value is not None:
        return replace(finding, verdict_reason="both sides too weak for a percentage")
    return judge(finding, "caloric", age)


def responses_of(results: Mapping[str, Result], eye: Eye) -> tuple[Responses, tuple[str, ...]]:
    """What one eye did after each irrigation that was assessed, and the marks of all of them."""
    found: dict[Irrigation, Response] = {}
    marks: dict[str, None] = {}
    for ear, temperature in IRRIGATIONS:
        result = results.get(f"caloric_{ear}_{temperature}")
        peak = _finding(result, CULMINATION, eye)
        if peak is None or peak.value is None:
            continue
        before = _finding(result, BEFORE, eye)
        still = beating(before) if before is not None and before.value is not None else None
        error = peak.standard_error or 0.0
        if not gain_of(results, eye)[1]:  # calibrated anew between them: their gains err apart
            error = math.hypot(error, peak.calibration_error or 0.0)
        found[ear, temperature] = Response(beating(peak), error, still)
        marks |= dict.fromkeys(peak.marks)
    return found, tuple(marks)


def gain_of(results: Mapping[str, Result], eye: Eye) -> tuple[float, str]:
    """Share by which one calibration of all irrigations may err, and its name; 0 and "" where there is none.

    That error is common to all of them: it cancels in percentages and stays in sums.
    """
    peaks = [f for r in results.values() if (f := _finding(r, CULMINATION, eye)) and f.value is not None]
    names = {f.calibration for f in peaks}
    if len(names) != 1 or names == {""}:
        return 0.0, ""
    return math.hypot(*(f.calibration_error or 0.0 for f in peaks)) / math.hypot(
        *(f.value or 0.0 for f in peaks)
    ), names.pop()


def _with_gain(finding: Finding, share: float, calibration: str) -> Finding:
    """A sum of responses with the error of their common gain."""
    if finding.unit != "deg/s" or finding.value is None or not calibration:
        return finding
    return widened(finding, share * abs(finding.value), calibration)


def why_missing(results: Mapping[str, Result], eye: Eye) -> dict[Irrigation, str]:
    """Why an eye has no response to some of the four irrigations."""
    found: dict[Irrigation, str] = {}
    for ear, temperature in IRRIGATIONS:
        result = results.get(f"caloric_{ear}_{temperature}")
        peak = _finding(result, CULMINATION, eye)
        if result is None:
            found[ear, temperature] = "not recorded"
        elif peak is None:
            found[ear, temperature] = "this eye was not recorded"
        elif peak.value is None:
            found[ear, temperature] = f"not assessed ({peak.reason})"
    return found


def _finding(result: Result | None, key: str, eye: Eye) -> Finding | None:
    found = result.findings if result else ()
    return next((f for f in found if (f.key, f.eye, f.axis) == (key, eye, "horizontal")), None)


def eye_findings(
    responses: Responses, eye: Eye, marks: tuple[str, ...], missing: Mapping[Irrigation, str]
) -> list[Finding]:
    """Every formula for one eye; what misses an irrigation stands with its reason."""
    whys = {irrigation: f"{' '.join(irrigation)}: {why}" for irrigation, why in missing.items()}
    why = "; ".join(whys.values())
    why_warm = "; ".join(text for (_, temperature), text in whys.items() if temperature == "warm")
    formulas: dict[str, Callable[[Responses], Estimate | float | None]] = {
        "right_sum": lambda r: ear_sum(r, "right"),
        "left_sum": lambda r: ear_sum(r, "left"),
        WEAKNESS: unilateral_weakness,
        "absolute_weakness": absolute_weakness,
        "linear_paresis": lambda r: (linear_paresis(r) or (None,))[0],
        PREPONDERANCE: directional_preponderance,
        "absolute_preponderance": absolute_preponderance,
        SHIFT: baseline_shift,
        "preponderance_of_spontaneous": preponderance_of_spontaneous,
        GAIN: gain_asymmetry,
    }
    found = [_made(key, eye, marks, why, formula, responses) for key, formula in formulas.items()]
    return [*found, _made(MONOTHERMAL, eye, marks, why_warm, monothermal_asymmetry, responses)]


def _made(
    key: str,
    eye: Eye,
    marks: tuple[str, ...],
    why: str,
    formula: Callable[[Responses], Estimate | float | None],
    responses: Responses,
) -> Finding:
    name, unit, text = NAMES[key]
    # A percentage outlives a wrong scale; a picture that may be mirrored exchanges the ears.
    kept = tuple(m for m in marks if unit != "%" or m not in (UNCALIBRATED, RATE_NOT_PROVEN))
    whole = Finding(key, name, unit, reason=why or "-", eye=eye, marks=kept, formula=text)
    if why:
        return whole
    if DIRECTION_NOT_PROVEN in marks:
        return replace(whole, reason=f"{eye} eye: {DIRECTION_NOT_PROVEN}")
    try:
        value = formula(responses)
    except ValueError:  # the responses add up to 0
        return replace(whole, reason=LOST_IN_NOISE)
    if value is None:
        return replace(whole, reason=NOT_MEASURED if key != "linear_paresis" else LOST_IN_NOISE)
    if not isinstance(value, Estimate):
        return replace(whole, value=value, reason="")
    if unit == "%" and not all(map(math.isfinite, value.interval)):
        return replace(whole, reason=LOST_IN_NOISE)
    return replace(
        whole, value=value.value, reason="", standard_error=value.standard_error, interval=value.interval
    )


def side_words(percent: float) -> str:
    """A weakness in words that carry the side.

    >>> side_words(-45.0), side_words(0.2)
    ('45 % right', '0 %')
    """
    size = f"{abs(percent):.0f} %"
    return size if float(f"{abs(percent):.0f}") == 0 else f"{size} {'left' if percent > 0 else 'right'}"


def _words(responses: Responses, eye: Eye, found: Sequence[Finding], age: Age | None) -> list[str]:
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
    if by_key[MONOTHERMAL].value is not None and weakness.value is None and not by_key[MONOTHERMAL].marks:
        texts.append(_warm_text(may_stop_after_warm(responses), eye))
    return texts


def _warm_text(stop: bool | str, eye: Eye) -> str:
    said = {
        True: "the warm irrigations are even and fast: the cool ones may be left out",
        False: "the warm irrigations do not suffice: go on with the cool ones",
    }
    rule = "(below 15 %, both above 8 deg/s, below 4 deg/s before: Ear Hear 2009;30:54-62, abstract)"
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


def _fits(found: Sequence[Finding]) -> tuple[str, ...]:
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


NOT_CONCLUDED = (
    "Normal vestibular function: only the horizontal canals were tested, at one very low frequency.",
    "A place from the directional preponderance alone: it is non-localising.",
    NOT_CHECKED,
)
CHOICES = (
    "Jongkees' formula on signed responses; nystagmus before the irrigations is not taken off (constant, it "
    "cancels in the weakness).",
    "Gain asymmetry only from the nystagmus measured before each irrigation, never from the baseline shift.",
    "Limits of 25 % for weakness and gain asymmetry, 30 % for preponderance: in use, contested (20 to 25 %, "
    "25 to 30 %). Each clinic needs its own norms.",
)
