"""Prints what is said of random invented patients of every pattern.

`python -m tests.bench.pattern_runs [--cases 1000] [--show 5] [pattern ...]`; a pattern by the beginning of
its name. `--show` prints the first cases that were not right.
"""

from __future__ import annotations

import argparse

from tests.analysis.pattern_cases import CASES, Outcome, run_case


def main(cases: int, show: int, wanted: list[str]) -> None:
    """Run `cases` of each pattern whose name starts with one of `wanted` (all when empty)."""
    print(f"{'pattern':32s} cases answered  right wrong wrong-side falsely-present", flush=True)
    for name in CASES:
        if not wanted or any(name.startswith(word) for word in wanted):
            outcomes = [run_case(name, number) for number in range(cases)]
            print(row(name, outcomes), flush=True)
            for number, outcome in enumerate(outcomes):
                if show and (outcome.wrong_side or outcome.present or not outcome.right):
                    print(f"    {number}: {flaw(outcome)}: {outcome.said}")
                    show -= 1


def row(name: str, outcomes: list[Outcome]) -> str:
    """One line of the table: shares of all cases and of those that were answered."""
    answered = [o for o in outcomes if o.answered]
    right = sum(o.right for o in answered)
    present = [o.present for o in outcomes if o.present is not None]
    share = f"{sum(present) / len(present):8.1%}" if present else ""
    return (
        f"{name:32s} {len(outcomes):5d} {len(answered) / len(outcomes):8.1%} "
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
    parser.add_argument("--show", type=int, default=0)
    parser.add_argument("patterns", nargs="*")
    given = parser.parse_args()
    main(given.cases, given.show, given.patterns)
