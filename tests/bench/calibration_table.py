"""What degrees are worth, over many eyes: `python -m tests.bench.calibration_table [gaze stated wrong]`.

Ray-traced eyes (an optics of their own), camera 0 to 30 deg off axis. gaze: exact targets, error within 20
and on 30 deg. stated: patients who miss the targets, and how often the stated error of each converted degree
holds the truth. wrong: targets that were not where the technician said, and what the grade says of them.
"""

from __future__ import annotations

import argparse
import math
from collections import Counter

import numpy as np
from numpy.typing import NDArray

from capture.calibration import Calibration, calibrate, standard_error_deg
from capture.profile import MountGeometry
from tests.capture.calibrated_eye import converted
from tests.capture.ray_traced_eye import (
    EIGHT,
    FIVE,
    SIZE_PX,
    THREE,
    Places,
    RayTracedEye,
    exact_look,
    missed,
    said_at,
    samples_of,
    view_of,
)

Floats = NDArray[np.float64]
PLACES: dict[str, Places] = {"three": THREE, "five": FIVE, "eight": EIGHT}


def gaze_on(*radii_deg: float, listing: bool) -> Floats:
    """(16 n, 3) Fick gaze on rings; torsion 0, or what Listing's law asks (clinical.md 4)."""
    around = np.radians(np.arange(0.0, 360.0, 22.5))
    ring = np.column_stack((np.cos(around), np.sin(around)))
    gaze = np.concatenate([radius * ring for radius in radii_deg])
    half = np.tan(np.radians(gaze) / 2.0)
    torsion = np.degrees(2.0 * np.arctan(half[:, 0] * half[:, 1])) if listing else np.zeros(len(gaze))
    return np.column_stack((gaze, torsion))


def calibrated(
    seed: int, places: Places, aim_deg: float = 0.0, common_deg: float = 0.0, outline: bool = True
) -> tuple[RayTracedEye, Calibration]:
    """The eye with this seed, calibrated by one who looks `aim_deg` (SD) beside each target."""
    rng = np.random.default_rng(seed)
    eye = RayTracedEye.random(rng)
    missed = rng.normal(0.0, common_deg, 2) + rng.normal(0.0, aim_deg, (len(places), 2))
    looked = tuple((h + off[0], v + off[1]) for (h, v), off in zip(places, missed, strict=True))
    targets, rows = exact_look(eye, looked, outline, rng if aim_deg else None)
    if not outline:
        rows["rotation_deg"] = np.nan
    shown = said_at(targets, places)
    return eye, calibrate(shown, rows, view_of(eye), MountGeometry(), SIZE_PX)


def errors(eye: RayTracedEye, calibration: Calibration, truth: Floats) -> tuple[Floats, Floats]:
    """(n, 2) error of the degrees, and the stated one."""
    seen = samples_of(eye, truth, np.arange(float(len(truth))))
    if not calibration.torsion_referenced:
        seen["rotation_deg"] = np.nan
    said = converted(calibration, seen)
    return (said - truth)[:, :2], standard_error_deg(calibration, seen["x_px"], seen["y_px"])


def linear(truth: Floats, error: Floats) -> tuple[float, float]:
    """Largest error of gain, largest cross-talk."""
    design = np.column_stack((truth[:, :2], np.ones(len(truth))))
    slopes = np.linalg.lstsq(design, error, rcond=None)[0][:2]
    return float(np.abs(np.diag(slopes)).max()), float(max(abs(slopes[0, 1]), abs(slopes[1, 0])))


def _spread(values: Floats, bar: float) -> str:
    median, high, worst = np.nanquantile(values, (0.5, 0.95, 1.0))
    return f"{median:.3f} (95 % {high:.3f}, worst {worst:.3f}; {np.mean(values <= bar):.0%} within {bar:g})"


def gaze_table(eyes: range, chosen: dict[str, Places]) -> None:
    """Exact targets."""
    for name, places in chosen.items():
        for outline in (True, False):
            for listing in (True, False):
                rows, grades = [], Counter[str]()
                for seed in eyes:
                    eye, calibration = calibrated(seed, places, outline=outline)
                    grades[calibration.grade] += 1
                    truth, far = (gaze_on(*radii, listing=listing) for radii in ((5, 10, 15, 20), (30,)))
                    error, _ = errors(eye, calibration, truth)
                    off = np.linalg.norm(errors(eye, calibration, far)[0], axis=1)
                    rms = np.sqrt(np.mean(error**2, axis=0)).max()
                    rows.append(
                        (rms, *linear(truth, error), np.sqrt(np.nanmean(off**2)), np.isnan(off).mean())
                    )
                table = np.array(rows).T
                print(f"{name} exact targets, {'outline and iris' if outline else 'centres only'}, ", end="")
                print(f"torsion {'by Listing' if listing else '0'}; {len(eyes)} eyes, {dict(grades)}")
                print(f"  RMS within 20 deg {_spread(table[0], 0.25)}")
                print(f"  gain {_spread(table[1], 0.01)}; cross-talk {_spread(table[2], 0.01)}")
                print(
                    f"  distance at 30 deg {_spread(table[3], 1.0)}, unanswered {table[4].mean():.1%}",
                    flush=True,
                )


def stated_table(eyes: range, chosen: dict[str, Places]) -> None:
    """Patients who miss the targets."""
    truth = gaze_on(3, 7, 10, 15, 20, listing=True)
    for name, places in chosen.items():
        for aim_deg, common_deg in ((0.2, 0.15), (0.1, 0.0), (0.2, 0.0), (0.3, 0.15)):
            ratio = []
            for seed in eyes:
                eye, calibration = calibrated(seed, places, aim_deg, common_deg)
                if calibration.calibrated:
                    error, stated = errors(eye, calibration, truth)
                    ratio.append(error / stated)
            values = np.array(ratio)
            held = np.mean(np.abs(values) <= 1.96)
            print(
                f"{name} targets missed by {aim_deg} deg, all alike by {common_deg}: 95 % intervals hold "
                f"{held:.1%}, RMS of error over stated {math.sqrt(np.mean(values**2)):.2f} "
                f"({len(values)} of {len(eyes)} eyes)",
                flush=True,
            )


def _mistake(name: str, places: Places) -> Places:
    """Where the targets truly were, when the technician says `places`."""
    swapped = list(places)
    swapped[1], swapped[2] = places[2], places[1]
    moved = list(places)
    moved[1] = (places[1][0] + 4.0, places[1][1])
    return {
        "none": places,
        "half the angle": tuple((h / 2, v / 2) for h, v in places),
        "1.25 times": tuple((h * 1.25, v * 1.25) for h, v in places),
        "1.5 times": tuple((h * 1.5, v * 1.5) for h, v in places),
        "two thirds": tuple((h / 1.5, v / 1.5) for h, v in places),
        "twice the angle": tuple((h * 2, v * 2) for h, v in places),
        "left and right exchanged": tuple((-h, v) for h, v in places),
        "up and down exchanged": tuple((h, -v) for h, v in places),
        "both exchanged": tuple((-h, -v) for h, v in places),
        "two targets exchanged": tuple(swapped),
        "one target 4 deg off": tuple(moved),
        "never looked away": tuple((0.0, 0.0) for _ in places),
    }[name]


MISTAKES = (
    "none", "half the angle", "two thirds", "1.25 times", "1.5 times", "twice the angle",
    "left and right exchanged", "up and down exchanged", "both exchanged", "two targets exchanged",
    "one target 4 deg off", "never looked away",
)  # fmt: skip


def wrong_table(eyes: range, chosen: dict[str, Places]) -> None:
    """The targets were not where it was said; the eye looked where they were, and missed by 0.2 deg."""
    for name, places in chosen.items():
        for mistake in MISTAKES:
            grades: Counter[str] = Counter()
            for seed in eyes:
                rng = np.random.default_rng(seed)
                eye = RayTracedEye.random(rng)
                true = _mistake(mistake, places)
                looked = missed(true, rng, 0.2)
                targets, rows = exact_look(eye, looked, rng=rng)
                shown = said_at(targets, places)
                made = calibrate(shown, rows, view_of(eye), MountGeometry(), SIZE_PX)
                left_out = (
                    "" if all(row.used for row in made.targets) or not made.calibrated else ", one left out"
                )
                grades[f"{made.grade}, {made.direction}{left_out}"] += 1
            print(f"{name} targets, {mistake}: {dict(grades.most_common())}", flush=True)


TABLES = {"gaze": gaze_table, "stated": stated_table, "wrong": wrong_table}


def main() -> None:
    """Print the tables asked for, or all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("tables", nargs="*", choices=[*TABLES, []], metavar="table")
    parser.add_argument("--eyes", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--targets", nargs="*", choices=PLACES, default=list(PLACES))
    asked = parser.parse_args()
    eyes = range(asked.first, asked.first + asked.eyes)
    for name in asked.tables or TABLES:
        TABLES[name](eyes, {targets: PLACES[targets] for targets in asked.targets})


if __name__ == "__main__":
    main()
