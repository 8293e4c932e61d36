"""Eyes that close in a position: what they may have hidden of a nystagmus is not assessed, the rest is."""

from __future__ import annotations

import re

import pytest

from analysis.analyse import analyse_recording
from tests.analysis.dix_hallpike import BASELINE, BORN, RIGHT_POSTERIOR, UP, found, right_down
from tests.analysis.paroxysm import Course, positional
from tests.analysis.sawtooth import unseen

PEAK_S = 30.0  # targets 3 s, baseline 20, on the way 2, latency 3, rise 2


@pytest.mark.parametrize(
    ("closed_s", "latency", "peak"),
    [
        ((-1.0, 1.5), "", "beside this peak"),
        ((2.5, 4.0), "", ""),  # it fades
        ((-4.0, -2.5), "before the first beats", ""),
        ((-0.3, 0.3), "", ""),  # a blink
    ],
)
def test_eyes_that_close(closed_s: tuple[float, float], latency: str, peak: str) -> None:
    made = positional(BASELINE, right_down(Course(RIGHT_POSTERIOR, tau_s=8.0), 45), UP)
    shown = analyse_recording(unseen(made, *(PEAK_S + s for s in closed_s)), BORN).results[0]  # type: ignore[arg-type]
    for key, why in (("latency", latency), ("peak_slow_phase_velocity", peak)):
        finding = found(shown, key)
        assert (finding.value is None) == bool(why)
        if why:
            said_s = re.match(rf"the eye was not seen for ([\d.]+) s {why}", finding.reason)
            assert said_s
            assert float(said_s[1]) == pytest.approx(closed_s[1] - closed_s[0], abs=0.3)  # cut a little about
