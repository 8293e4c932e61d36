"""Prints how often the 95 % interval of each measure holds the truth, and whether it is too wide.

`python -m tests.bench.interval_coverage [--cases 2000] [--first 0] [family ...]`; the families are those of
`tests.analysis.interval_cases`, all without any. `answered`: share of the cases with a value and an interval.
`width` is by how much the interval is wider than the estimator's own scatter demands: width / (2 x 1.96 x
standard deviation of the errors), both in half widths, for they differ from case to case; `at 95 %` the same
against an interval that would just hold 95 % of the truths (1 / the 95th percentile of |error| / half width).
`bias` is the median error, in half widths; `mean` the mean error and `95 %` what |error| stays below in 95 %
of the cases, in the unit of the measure. A part that misses the goal (held 92 to 98 % of all and 90 to 99 %
of each noise level and pattern, width at most 1.5) is marked with !.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.estimate import Z_95
from tests.analysis.interval_cases import FAMILIES, cases
from tests.analysis.interval_draw import NOISE_DEG, Judged, known


@dataclass(frozen=True, slots=True)
class Coverage:
    """Of one measure, or of one part of its cases."""

    count: int
    answered: float  # share
    held: float  # share of the answered
    width: float
    width_at_95: float
    bias: float  # in half widths
    mean: float  # error
    within: float  # 95th percentile of |error|


def coverage(judged: Sequence[Judged]) -> Coverage:
    """Coverage of these cases."""
    good = [j for j in judged if known(j)]
    if not good:
        return Coverage(len(judged), 0.0, *(np.nan,) * 6)
    errors = np.array([j.error for j in good])
    if len(good) < 2:
        return Coverage(len(judged), len(good) / len(judged), *(np.nan,) * 6)
    halves = np.maximum([j.half_width for j in good], 1e-12)
    return Coverage(
        len(judged),
        len(good) / len(judged),
        float(np.mean([j.held for j in good])),
        float(1 / max(Z_95 * np.std(errors / halves), 1e-12)),
        float(1 / max(np.quantile(np.abs(errors) / halves, 0.95), 1e-12)),
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


def misses(found: Coverage, name: str) -> bool:
    """Whether a part of the cases misses the goal."""
    low, high = (0.92, 0.98) if name == "all" else (0.90, 0.99)
    return not (low <= found.held <= high and found.width <= 1.5)


def main(count: int, first: int, wanted: Sequence[str]) -> None:
    """Run `count` cases of each family."""
    heads = ("held", "width", "at 95 %", "bias", "mean", "95 %")
    print(f"{'measure':32s} {'cases':30s} {'n':>5s} answered  {' '.join(f'{h:>7s}' for h in heads)}")
    for family in wanted or FAMILIES:
        judged = cases(family, count, first)
        for measure in dict.fromkeys(j.measure for j in judged):
            for name, some in parts([j for j in judged if j.measure == measure]).items():
                c = coverage(some)
                print(
                    f"{measure:32s} {name:30s} {c.count:5d} {c.answered:8.1%}  {c.held:7.1%} {c.width:7.2f} "
                    f"{c.width_at_95:7.2f} {c.bias:+7.2f} {c.mean:+7.3f} {c.within:7.3f}"
                    f"{' !' * misses(c, name)}",
                    flush=True,
                )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=2000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("families", nargs="*")
    given = parser.parse_args()
    main(given.cases, given.first, given.families)
