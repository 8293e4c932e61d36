"""What is compiled ahead is all that a picture needs, so no frame waits for the compiler."""

from __future__ import annotations

import subprocess
import sys

from tests.conftest import ROOT

PROGRAM = """
import sys
from numba.core.dispatcher import Dispatcher
from capture.clock import SteppedClock
from capture.simulation.patient import SimulatedPatient
from capture.simulation.scenario import Hold, Scenario
from capture.tracker import Tracker
from ui.compile_ahead import compile_tracking

def compiled():
    modules = [module for name, module in sys.modules.items() if name.startswith("capture.")]
    kernels = {id(k): k for module in modules for k in vars(module).values() if isinstance(k, Dispatcher)}
    tracking = [k for k in kernels.values() if not k.py_func.__module__.startswith("capture.simulation")]
    return {(k.py_func.__name__, signature) for k in tracking for signature in k.signatures}

compile_tracking()
before = compiled()
source = SimulatedPatient(Scenario((Hold(1.0),)), 5, rate_hz=50.0).source("right")
tracker = Tracker()
seen = [tracker.track(source.read().image).torsion_quality for _ in range(20)]
print("torsion read", max(seen) > 0.5, "kernels", len(before) > 5, "later", sorted(compiled() - before))
"""


def test_tracking_a_picture_compiles_nothing_more() -> None:
    """The simulated pictures are of another size, read-only as every source's, and their iris can be read."""
    ran = subprocess.run(
        [sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert ran.stdout.strip() == "torsion read True kernels True later []"
