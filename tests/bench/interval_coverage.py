"""Prints how often the 95 % interval of each measure holds the truth, and whether it is too wide.

`python -m tests.bench.interval_coverage [--cases 2000] [family ...]`; families: spontaneous, positional,
gaze, caloric. `width` is by how much the interval is wider than one that would just hold 95 % of the truths
(1 / the 95th percentile of |error| / half width); `bias` the median error, in half widths; `mean` the mean
error and `95 %` what |error| stays below in 95 % of the cases, in the unit of the measure.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.analysis.interval_cases import FAMILIES, NOISE_DEG, Judged, cases, known


@dataclass(frozen=True, slots=True)
class Coverage:
    """Of one measure, or of one part of its cases."""

    count: int
    answered: float  # share
    held: float  # share of the answered
    width: float
    bias: float  # in half widths
    mean: float  # error
    within: float  # 95th percentile of |error|


def coverage(judged: Sequence[Judged]) -> Coverage:
    """Coverage of these cases."""
    good = [j for j in judged if known(j)]
    if not good:
        return Coverage(len(judged), 0.0, *(np.nan,) * 5)
    errors = np.array([j.error for j in good])
    halves = np.maximum([j.half_width for j in good], 1e-12)
    return Coverage(
        len(judged),
        len(good) / len(judged),
        float(np.mean([j.held for j in good])),
        float(1 / np.quantile(np.abs(errors) / halves, 0.95)),
        float(np.median(errors / halves)),
        float(np.mean(errors)),
        float(np.quantile(np.abs(errors), 0.95)),
    )


def parts(judged: Sequence[Judged]) -> dict[str, list[Judged]]:
    """All cases, those of each noise level and those of each pattern."""
    found = {"all": list(judged)}
    for noise in NOISE_DEG:
        found[f"noise {noise:g} deg"] = [j for j in judged if j.noise_deg == noise]
    for pattern in dict.fromkeys(j.pattern for j in judged):
        found[pattern] = [j for j in judged if j.pattern == pattern]
    return {name: some for name, some in found.items() if some}


def main(count: int, wanted: Sequence[str]) -> None:
    """Run `count` cases of each family."""
    print(f"{'measure':34s} {'cases':26s} {'n':>6s} answered   held  width   bias     mean     95 %")
    for family in wanted or FAMILIES:
        judged = cases(family, count)
        for measure in dict.fromkeys(j.measure for j in judged):
            for name, some in parts([j for j in judged if j.measure == measure]).items():
                c = coverage(some)
                print(
                    f"{measure:34s} {name:26s} {c.count:6d} {c.answered:8.1%} {c.held:6.1%} {c.width:6.2f} "
                    f"{c.bias:+6.2f} {c.mean:+8.3f} {c.within:8.3f}",
                    flush=True,
                )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=2000)
    parser.add_argument("families", nargs="*")
    given = parser.parse_args()
    main(given.cases, given.families)
