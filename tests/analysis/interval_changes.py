"""Random cases of what a stimulus changes, where a nystagmus turns round in time, and at which head angle."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import inf

import numpy as np

from analysis.battery.changes import CHANGE
from analysis.battery.null_point import NULL
from capture.samples import AXES
from capture.simulation.patterns import Course, Pattern
from tests.analysis.interval_draw import Drawn, Judged, finding, measured, way_of


def changes(drawn: Drawn) -> Iterator[Judged]:
    """Nystagmus that vibration adds while it lasts, and that shaking leaves behind."""
    still = float(drawn.rng.choice((0.0, 1.0))) * drawn.rng.uniform(-6, 6)
    if drawn.number // 3 % 2:
        yield from _shaken(drawn, still)
        return
    added = way_of(drawn, drawn.between(3.0, 30.0))
    places = {"vibration right": (Course(added, 0.0, 0.1, inf),)}
    pattern = drawn.habits(Pattern((still, 0.0, 0.0), provoked=places))
    result = measured(drawn.led("vibration", pattern))
    for axis, name in enumerate(AXES):
        found = finding(result, CHANGE, "vibration right", name)
        yield drawn.judged("change with vibration", name, added[axis], found)


def _shaken(drawn: Drawn, still: float) -> Iterator[Judged]:
    """Peak 0.7 s after the stop, then an exponential decline.

    Its median over the few beats that came in the first seconds, and over the time of the later ones.
    """
    peak, tau = float(drawn.rng.choice((-1.0, 1.0))) * drawn.between(4.0, 40.0), drawn.between(6.0, 20.0)
    course = Course((peak, 0.0, 0.0), 0.2, 0.5, tau)
    pattern = Pattern((still, 0.0, 0.0), provoked={"after head shaking": (course,)})
    led = drawn.led("head_shake", drawn.habits(pattern))
    result = measured(led)
    stop_s = next(e.start_s for e in led.recording.events if e.text == "after head shaking")
    beats = [(b.slow_start_s + b.slow_end_s) / 2 - stop_s for b in led.patient.true_beats()]
    early = [t for t in beats if 2.0 < t < 5.0] or np.linspace(2.0, 5.0, 400)
    for key, times in ((CHANGE, early), ("late_change", np.linspace(20.0, 60.0, 400))):
        truth = peak * float(np.median([course.share(float(t)) for t in times]))
        yield drawn.judged(f"{key} after shaking", "head shake", truth, finding(result, key, axis=AXES[0]))


def alternation(drawn: Drawn) -> Iterator[Judged]:
    """A nystagmus that turns round every `half` seconds, from its greatest velocity on."""
    speed, half = drawn.between(4.0, 20.0), drawn.rng.uniform(60.0, 110.0)
    way = float(drawn.rng.choice((-1.0, 1.0)))
    drawn.rate_hz = min(drawn.rate_hz, 150.0)
    pattern = drawn.habits(Pattern((way * speed, 0.0, 0.0), half_period_s=half))
    result = measured(drawn.led("periodic_alternation", pattern))
    found = finding(result, "alternation_period", axis=AXES[0])
    yield drawn.judged("alternation_period", "periodic", 2 * half, found)
    for k in range(3):
        found = finding(result, f"reversal_{k + 1}", axis=AXES[0])
        if found is not None and found.value is not None:  # of the moment that it lies nearest to
            truth = half * (round(found.value / half - 0.5) + 0.5)
            yield drawn.judged("reversal", "periodic", truth, found)


def null_point(drawn: Drawn) -> Iterator[Judged]:
    """Velocities that lie on a line of the head's angle."""
    drawn.rate_hz = min(drawn.rate_hz, 150.0)
    null = drawn.rng.uniform(-25.0, 25.0)
    slope = float(drawn.rng.choice((-1.0, 1.0))) * drawn.between(0.15, 0.6)
    places = {
        f"{abs(a)} degrees {'right' if a > 0 else 'left'}": (
            Course((slope * a, 0.0, 0.0), latency_s=0.0, rise_s=0.1, tau_s=inf),
        )
        for a in (-40, -30, -20, -10, 10, 20, 30, 40)
    }
    pattern = Pattern((-slope * null, 0.0, 0.0), in_light=1.0, provoked=places)
    result = measured(drawn.led("null_point", replace(drawn.habits(pattern), in_light=1.0)))
    yield drawn.judged(NULL, "line", null, finding(result, NULL, axis=AXES[0]))
