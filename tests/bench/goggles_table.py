"""Slips of goggles, off-centre pupils: `python -m tests.bench.goggles_table [--eyes 40] [--first N]`.

Traces of the simulated optics over wide anatomies, the chain of a finished recording (`capture.slip`). slips:
0.5 to 2 mm in the plane of the face within 0.3 s. sizes: 2.8 to 6.5 mm, the centre moving by up to 0.35 mm a
mm. still: 30 minutes of saccades, nystagmus, blinks, light and dark without a slip.
"""

from __future__ import annotations

import argparse

import numpy as np

from capture.slip import doubts, steady
from tests.capture.test_slip import CALIBRATED_S, SLIP_S, Run, some_slip


def _row(name: str, values: list[float], bar: float) -> None:
    low, middle, high = np.nanquantile(values, (0.05, 0.5, 0.95))
    within = np.mean(np.array(values) <= bar)
    spread = f"{middle:8.3f}  5 % {low:6.3f}  95 % {high:6.3f}"
    print(f"  {name:44}{spread}  {within:.1%} of {len(values)} within {bar:g}")


def slips(eyes: range) -> None:
    """Noticed when, and what is left of them."""
    noticed, offsets, gains, flagged = [], [], [], []
    for seed in eyes:
        run = Run(seed, 50.0, 50.0, some_slip(seed), shift_mm_per_mm=(0.0, 0.03, 0.1)[seed % 3])
        known_s = np.inf
        for after_s in np.arange(0.1, 1.6, 0.1):
            if steady(run.rows[run.time_s <= SLIP_S + after_s], run.calibration, CALIBRATED_S).slips:
                known_s = after_s
                break
        noticed.append(float(known_s))
        flagged.append(any("slipped" in text for _, _, text in doubts(run.found)))
        off = run.off_deg(corrected=True)
        late = (run.time_s > SLIP_S + 1.5) & np.isfinite(off[:, 0])
        offsets.append(float(np.abs(off[late].mean(axis=0)).max()))
        slopes = [np.polyfit(run.gaze_deg[late, axis], off[late, axis], 1)[0] for axis in (0, 1)]
        gains.append(float(np.abs(slopes).max()))
    print(f"slips of 0.5 to 2 mm, {len(eyes)} eyes; {np.mean(flagged):.1%} flagged")
    _row("noticed after, s", noticed, 0.5)
    _row("offset after correction, deg", offsets, 1.0)
    _row("error of gain after it", gains, 0.03)


def sizes(eyes: range) -> None:
    """Apparent movement between a small and a large pupil, before and after."""
    raws, lefts, good, told = [], [], [], []
    for seed in eyes:
        run = Run(seed, 60.0, 30.0, None, shift_mm_per_mm=(0.02, 0.05, 0.1, 0.2, 0.35)[seed % 5])
        large, usual = run.pupil_mm > 5.0, np.abs(run.pupil_mm - 3.5) < 0.3
        raw, left = (
            float(np.linalg.norm(np.nanmean(off[large], axis=0) - np.nanmean(off[usual], axis=0)))
            for off in (run.off_deg(corrected=False), run.off_deg(corrected=True))
        )
        raws.append(raw)
        lefts.append(left)
        told.append(any("pupil" in text for _, _, text in doubts(run.found)))
        good.append(left <= 0.2 or told[-1])
    print(f"pupils that open off their centre, {len(eyes)} eyes; flagged {np.mean(told):.1%}, ", end="")
    print(f"at most 0.2 deg or flagged {np.mean(good):.1%}")
    _row("uncorrected, deg", raws, 0.2)
    _row("left, deg", lefts, 0.2)


def still(eyes: range) -> None:
    """False slips."""
    counts = [
        len(Run(seed, 1800.0, 30.0, None, shift_mm_per_mm=(0.0, 0.05, 0.3)[seed % 3]).found.slips)
        for seed in eyes
    ]
    print(f"30 minutes without a slip, {len(eyes)} eyes: {sum(counts)} false slips")


TABLES = {"slips": slips, "sizes": sizes, "still": still}


def main() -> None:
    """Print the tables asked for, or all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("tables", nargs="*", choices=[*TABLES, []], metavar="table")
    parser.add_argument("--eyes", type=int, default=40)
    parser.add_argument("--first", type=int, default=1000)
    asked = parser.parse_args()
    for name in asked.tables or TABLES:
        TABLES[name](range(asked.first, asked.first + asked.eyes))


if __name__ == "__main__":
    main()
