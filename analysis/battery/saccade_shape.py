"""How the saccades of one eye to one side go: how long, how skewed, and what corrects them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.battery.dysconjugacy import LEAST
from analysis.battery.stimulus_findings import Place, of_estimate, of_repeats
from analysis.finding import Finding
from analysis.main_sequence import duration_line
from analysis.saccades import Answer

DURATION, DURATION_SLOPE = "saccade_duration_at_0", "saccade_duration_per_deg"
PEAK_TO_MEAN, SKEWNESS = "saccade_peak_to_mean", "saccade_skewness"
CORRECTED, CORRECTION, FINAL_GAIN = "saccades_corrected", "corrective_saccade_size", "saccade_gain_final"
SHAPES = (DURATION, DURATION_SLOPE, PEAK_TO_MEAN, SKEWNESS, CORRECTED, CORRECTION, FINAL_GAIN)
LINE = "duration = d0 + k amplitude, least squares"
LEAST_CORRECTIONS = 3


def shape_findings(place: Place, way: str, used: Sequence[Answer], why: str) -> list[Finding]:
    """Measures of the saccades that are used; `why` says why none is given (too few frames), or ""."""
    shaped = [a for a in used if np.isfinite(a.peak_velocity_dps)]
    line = why or duration_line([abs(a.amplitude_deg) for a in shaped], [a.duration_s for a in shaped])
    found = [
        replace(
            of_estimate(
                place.finding(f"{key}_{way}", f"{name}, {way}", unit, "-", LINE),
                line if isinstance(line, str) else line[k],
            ),
            accepted=len(shaped),
            rejected=len(used) - len(shaped),
        )
        for k, (key, name, unit) in enumerate(
            (
                (DURATION, "duration of saccades, d0", "ms"),
                (DURATION_SLOPE, "duration of saccades, k", "ms/deg"),
            )
        )
    ]
    rows = (
        (PEAK_TO_MEAN, "peak over mean velocity", "peak velocity x duration / amplitude",
         [a.peak_to_mean for a in shaped]),
        (SKEWNESS, "skewness", "time to the peak / duration", [a.skewness for a in shaped]),
    )  # fmt: skip
    for key, name, formula, values in rows:
        blank = place.finding(f"{key}_{way}", f"{name}, {way}", "", why or "-", formula)
        found.append(
            blank if why else of_repeats(blank, values, len(used), LEAST, "saccades with a velocity")
        )
    return [*found, *_corrections(place, way, used, why)]


def _corrections(place: Place, way: str, used: Sequence[Answer], why: str) -> list[Finding]:
    """How often a saccade was corrected, by how much, and where the eye ended."""
    share = place.finding(
        f"{CORRECTED}_{way}", f"saccades that were corrected, {way}", "%", why or "-",
        "100 x primary saccades with one after them, before the next jump / primary saccades",
    )  # fmt: skip
    size = place.finding(
        f"{CORRECTION}_{way}", f"size of corrective saccades, {way}", "deg", why or "-",
        "median of the first after each; negative: back",
    )  # fmt: skip
    final = place.finding(
        f"{FINAL_GAIN}_{way}", f"gain with corrective saccades, {way}", "", why or "-",
        "amplitude of primary and corrective saccades together / jump of the target",
    )  # fmt: skip
    if why:
        return [share, size, final]
    firsts = [a.corrections_deg[0] * np.sign(a.jump.size_deg) for a in used if a.corrections_deg]
    few = "" if len(used) >= LEAST else f"{len(used)} saccades, {LEAST} needed"
    percent = None if few else 100.0 * len(firsts) / len(used)
    return [
        replace(share, value=percent, reason=few, accepted=len(used), rejected=0),
        of_repeats(size, firsts, len(firsts), LEAST_CORRECTIONS, "corrective saccades"),
        of_repeats(final, [a.final_gain for a in used], len(used), LEAST, "saccades"),
    ]
