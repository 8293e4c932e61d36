"""How fast the simulated patient paints: at least 800 pictures a second on one core at 320x240."""

from __future__ import annotations

import time

import pytest

from capture.simulation.patient import SimulatedPatient
from capture.simulation.scenario import Hold, LookAt, Nystagmus, Scenario
from capture.source import Source

VISIT = Scenario((LookAt(), Hold(60.0, nystagmus=Nystagmus((-12.0, 2.0, 3.0)))))


def thousand(source: Source) -> float:
    """Processor seconds for the next 1000 pictures."""
    start_s = time.process_time()
    for _ in range(1000):
        assert source.read() is not None
    return time.process_time() - start_s


@pytest.mark.parametrize("size", [(160, 120), (320, 240), (640, 480)])
def test_pictures_per_second(benchmark, size) -> None:
    source = SimulatedPatient(VISIT, 3, eyes=("right",), size=size).source("right")
    source.read()
    seconds = [benchmark.pedantic(thousand, (source,), rounds=1, iterations=1)]
    seconds += [thousand(source) for _ in range(4)]
    print(f"\n{size[0]}x{size[1]}: {1000 / min(seconds):.0f} pictures/s of processor time")
    if size == (320, 240):
        assert 1000 / min(seconds) >= 800
