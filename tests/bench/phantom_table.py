"""Prints every figure of the chain on the phantom: `python -m tests.bench.phantom_table [s01 s02 ...]`."""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np

from tests.conftest import DATA, WHOLE_PHANTOM
from tests.end_to_end.phantom import BeatScore, read_case, run_chain, score_beats, score_degrees

POOLED = ("s01", "s02", "s04", "s05", "s06", "s10", "s12")


def main(names: list[str]) -> None:
    """Run the recordings whose names start with one of `names` (all when empty)."""
    place = WHOLE_PHANTOM if WHOLE_PHANTOM.is_dir() else DATA / "phantom"
    pooled = BeatScore()
    wanted = [f for f in sorted(place.glob("s*_*")) if not names or f.name.startswith(tuple(names))]
    if not wanted:
        raise SystemExit(f"no recording of {place} begins with {' or '.join(names)}")
    for folder in wanted:
        with tempfile.TemporaryDirectory() as out:
            case = read_case(folder)
            export = run_chain(case, Path(out))
            for eye in case.eyes:
                beats, degrees = score_beats(case, export, eye), score_degrees(case, export, eye)
                if folder.name[:3] in POOLED:
                    pooled.add(beats)
                _print_row(folder.name[:3], eye, beats, degrees)
    print(f"pooled F1 {pooled.f1:.3f}, {pooled.errors} errors, velocity error {pooled.velocity_median_error}")


def _print_row(name: str, eye: str, beats: BeatScore, degrees) -> None:
    px = degrees.pupil_error_px
    error, share = beats.velocity_median_error
    print(
        f"{name} {eye:5s} beats {beats.hits} hit, missed {np.round(beats.missed, 2).tolist()}, "
        f"false {np.round(beats.false, 2).tolist()}, wrong direction {beats.wrong_direction}, "
        f"velocity error {error:.2f} deg/s ({share:.1%})\n"
        f"          unanswered {degrees.unanswered_share:.2%}; pupil px median {np.median(px):.3f}, "
        f"95th {np.percentile(px, 95):.3f}, beyond 1 px {int((px > 1).sum())}\n"
        f"          gain {np.round(degrees.gain, 4)} (true centres {np.round(degrees.reference_gain, 4)}), "
        f"rms {np.round(degrees.rms_deg, 3)} ({np.round(degrees.reference_rms_deg, 3)}) deg; "
        f"noise {np.round(degrees.noise_deg, 3)}\n"
        f"          torsion rms {degrees.torsion_rms_deg:.3f} deg, answered "
        f"{degrees.torsion_answered_share:.1%}",
        flush=True,
    )
    for limit_deg, (rms_deg, slope, answered) in degrees.torsion_within.items():
        print(
            f"          torsion within {limit_deg:.0f} deg of gaze: rms {rms_deg:.3f} deg, "
            f"slope {slope:.3f}, answered {answered:.1%}",
            flush=True,
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("recordings", nargs="*")
    main(parser.parse_args().recordings)
