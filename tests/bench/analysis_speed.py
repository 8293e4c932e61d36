"""Prints how long it takes to label and measure recordings of different lengths, on one core.

`OMP_NUM_THREADS=1 python -m tests.bench.analysis_speed [minutes ...]` (1 10 60 240). Two eyes, three axes,
250 samples/s, in the dark with noise, wander and blinks: nystagmus of an acute loss, then a quiet eye, whose
lines no beat ends. Bar: an hour within 2 s.
"""

from __future__ import annotations

import argparse
import time
from itertools import product

import numpy as np

from analysis.analyse import analyse_recording
from analysis.battery import procedure_named
from capture.samples import EYES
from capture.simulation.patterns import PATTERNS
from capture.simulation.traces import Seeing
from tests.analysis.led_patient import Led, lead

BORN = 1960
SHOWN = ("acute loss on the left", "healthy")


def hours_of(minutes: float, pattern: str) -> Led:
    """Spontaneous test of a patient with `pattern` whose dark step lasts so long."""
    seeing = dict.fromkeys(EYES, Seeing(noise_deg=(0.1, 0.1, 0.15), falling_noise_deg=0.05))
    seconds = {"dark": 60 * minutes - 40.0}
    return lead(procedure_named("spontaneous"), PATTERNS[pattern], 1, seeing, seconds)


def analysis_s(led: Led) -> float:
    """Processor time of tracing, labelling and measuring it."""
    began_s = time.process_time()
    analyse_recording(led.recording, BORN)  # type: ignore[arg-type]
    return time.process_time() - began_s


def main(minutes: list[float]) -> None:
    """Print one line a length, after one run that compiles."""
    analysis_s(hours_of(2.0, SHOWN[0]))
    for length, pattern in product(minutes, SHOWN):
        led = hours_of(length, pattern)
        rows = sum(map(len, led.recording.samples.values()))
        best_s = min(analysis_s(led) for _ in range(3))
        beats = len(led.patient.true_beats())
        print(
            f"{length:5g} min, {pattern}, {rows} samples, {beats} beats: {best_s:.2f} s, "
            f"{best_s / length * 60:.2f} s an hour",
            flush=True,
        )


if __name__ == "__main__":
    np.seterr(all="raise", under="ignore")
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("minutes", type=float, nargs="*", default=[1.0, 10.0, 60.0, 240.0])
    main(parser.parse_args().minutes)
