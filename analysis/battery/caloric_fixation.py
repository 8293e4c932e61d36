"""What fixation does to the response to an irrigation, which fades by itself meanwhile."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.battery.caloric_findings import Irrigated
from analysis.battery.fixation_findings import index_and_reduction
from analysis.estimate import Estimate, error_of, with_error
from analysis.finding import Finding
from analysis.procedure import Window
from analysis.spans import velocity_in
from capture.samples import AXES

LEAST_FIXATION_S = 5.0  # of light, and of dark before it (clinical practice)
AFTER = "after"  # key of the step in the dark again
AT_ONCE_S = 1.0  # behind the light


def fixation_findings(eye: Irrigated, windows: Sequence[Window]) -> tuple[Finding, Finding]:
    """Fixation index and reduction: the light against the dark that was due at the same time."""
    pair = _speeds_by_light(eye, windows)
    if isinstance(pair, str):
        return index_and_reduction(eye.eye, AXES[0], pair)
    dark, lit = ((speed.value, speed.interval) for speed in pair)
    return index_and_reduction(eye.eye, AXES[0], (dark, lit), eye.marking.marks)


def _speeds_by_light(eye: Irrigated, windows: Sequence[Window]) -> tuple[Estimate, Estimate] | str:
    """Without and with light. The response fades by a quarter meanwhile, which is no suppression.

    The dark is that of as long before the light and, where it was recorded, behind it: between the two the
    response is taken to fall evenly.
    """
    light = next((w for w in windows if w.light == "fixation" and w.start_s > eye.started_s), None)
    if light is None:
        return "no light during the response"
    length_s = light.end_s - light.used_from_s
    if length_s < LEAST_FIXATION_S:
        return f"{length_s:.1f} s of light measured, {LEAST_FIXATION_S:g} s needed"
    again = next((w for w in windows if w.key == AFTER and abs(w.start_s - light.end_s) < AT_ONCE_S), light)
    last_s = min(again.used_from_s + length_s, again.end_s)
    spans = ((light.start_s - length_s, light.start_s), (light.used_from_s, light.end_s))
    dark, lit = (velocity_in(eye.trace, eye.beats, 0, *span) for span in spans)
    if dark is None or lit is None:
        return "the eye was not seen well enough about the change of light"
    behind = velocity_in(eye.trace, eye.beats, 0, again.used_from_s, last_s)
    if again is light or last_s - again.used_from_s < LEAST_FIXATION_S or behind is None:
        return dark, lit
    middles = [sum(span) / 2 for span in (*spans, (again.used_from_s, last_s))]
    share = (middles[1] - middles[0]) / (middles[2] - middles[0])
    error = math.hypot((1 - share) * error_of(dark.interval), share * error_of(behind.interval))
    return with_error((1 - share) * dark.value + share * behind.value, error), lit
