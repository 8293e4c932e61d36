"""Prints what is said of random invented patients of every pattern.

`python -m tests.bench.pattern_runs [--cases 1000] [--first 0] [--other] [--show 5] [pattern ...]`; a pattern
by the beginning of its name, look-alikes as well. `--show` prints the first cases of each that were not
right, `--other` takes the second generator.
"""

from __future__ import annotations

import argparse

from tests.analysis.drawn import Outcome
from tests.analysis.look_alikes import LOOK_ALIKES, flaw_of
from tests.analysis.pattern_cases import CASES, run_case


def main(numbers: range, show: int, wanted: list[str], *, other: bool) -> None:
    """Run these cases of each pattern whose name starts with one of `wanted` (all when empty)."""
    print(f"{'pattern':34s} cases answered  right wrong wrong-side falsely-present", flush=True)
    for name in CASES:
        if not wanted or any(name.startswith(word) for word in wanted):
            outcomes = [run_case(name, number, other=other) for number in numbers]
            print(row(name, outcomes), flush=True)
            bad = [
                (n, o)
                for n, o in zip(numbers, outcomes, strict=True)
                if o.wrong_side or o.present or not o.right
            ]
            for number, outcome in bad[:show]:
                print(f"    {number}: {flaw(outcome)}: {outcome.said}", flush=True)
    for name in LOOK_ALIKES:
        if not wanted or any(name.startswith(word) for word in wanted):
            flaws = {number: said for number in numbers if (said := flaw_of(name, number, other=other))}
            print(f"{name:34s} {len(numbers):5d} mistaken {len(flaws)}", flush=True)
            for number, said in list(flaws.items())[:show]:
                print(f"    {number}: {said}", flush=True)


def row(name: str, outcomes: list[Outcome]) -> str:
    """One line of the table: shares of all cases and of those that were answered."""
    answered = [o for o in outcomes if o.answered]
    right = sum(o.right for o in answered)
    present = [o.present for o in outcomes if o.present is not None]
    share = f"{sum(present) / len(present):8.1%}" if present else ""
    return (
        f"{name:34s} {len(outcomes):5d} {len(answered) / len(outcomes):8.1%} "
        f"{right / max(len(answered), 1):6.1%} {len(answered) - right:5d} "
        f"{sum(o.wrong_side for o in outcomes):10d} {share}"
    )


def flaw(outcome: Outcome) -> str:
    """What was wrong with it."""
    if outcome.wrong_side:
        return "wrong side"
    if outcome.present:
        return "falsely present"
    return "wrong" if outcome.answered else "unanswered"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--show", type=int, default=0)
    parser.add_argument("--other", action="store_true")
    parser.add_argument("patterns", nargs="*")
    given = parser.parse_args()
    numbers = range(given.first, given.first + given.cases)
    main(numbers, given.show, given.patterns, other=given.other)
