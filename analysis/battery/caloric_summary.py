"""The caloric test as a whole: what four irrigations say together."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from analysis.battery.caloric import CALORIC, NOT_CHECKED
from analysis.battery.caloric_findings import BEFORE, CULMINATION, beating
from analysis.battery.caloric_measures import eye_findings
from analysis.battery.caloric_words import what_fits, words_of
from analysis.calibration_in_intervals import widened
from analysis.caloric import IRRIGATIONS, Irrigation, Response, Responses, both_sides
from analysis.estimate import error_of
from analysis.finding import Finding
from analysis.limits import Age, judge
from analysis.procedure import Result
from capture.samples import EYES, Eye

KEY, TITLE = "caloric", "Caloric test"


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
            words += words_of(responses, eye, found, age)
    return Result(
        procedure=KEY,
        title=TITLE,
        windows=(),
        findings=tuple(found),
        conclusions=tuple(words),
        fits=what_fits(found),
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
        unsure = 0.0 if before is None else _own_error(before)
        found[ear, temperature] = Response(beating(peak), error, still, unsure)
        marks |= dict.fromkeys(peak.marks)
    return found, tuple(marks)


def _own_error(finding: Finding) -> float:
    """Standard error of its interval without the calibration's, which all irrigations share."""
    return math.sqrt(max(error_of(finding.interval) ** 2 - (finding.calibration_error or 0.0) ** 2, 0.0))


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


NOT_CONCLUDED = (
    "Normal vestibular function: only the horizontal canals were tested, at one very low frequency.",
    "A place from the directional preponderance alone: it is non-localising.",
    NOT_CHECKED,
)
CHOICES = (
    "Jongkees' formula on signed responses; nystagmus before the irrigations is not taken off (constant, it "
    "cancels in the weakness).",
    "Gain asymmetry only from the nystagmus measured before each irrigation, never from the baseline shift.",
    "Fixation index: the light against the dark that was due at the same time, on a straight line between "
    "the dark before it and as long after it.",
    "Limits of 25 % for weakness and gain asymmetry, 30 % for preponderance: in use, contested (20 to 25 %, "
    "25 to 30 %). Each clinic needs its own norms.",
)
