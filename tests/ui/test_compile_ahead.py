"""What is compiled ahead is all that a picture needs, so no frame waits for the compiler."""

from __future__ import annotations

import signal
import subprocess
import sys
import time

import pytest

from capture.ellipse import kernel
from tests.conftest import ROOT
from ui.compile_ahead import Ahead

PROGRAM = """
import sys
from numba.core.dispatcher import Dispatcher
from capture.clock import SteppedClock
from capture.simulation.patient import SimulatedPatient
from capture.simulation.scenario import Hold, Scenario
from capture.tracker import Tracker
from tests.capture.pictures import empty_picture
from tests.capture.test_pupil_faint import dark_eye
from ui.compile_ahead import compile_reading, compile_tracking

def compiled():
    modules = [module for name, module in sys.modules.items() if name.startswith("capture.")]
    kernels = {id(k): k for module in modules for k in vars(module).values() if isinstance(k, Dispatcher)}
    tracking = [k for k in kernels.values() if not k.py_func.__module__.startswith("capture.simulation")]
    return {(k.py_func.__name__, s, k.py_func.__module__) for k in tracking for s in k.signatures}

compile_reading()
read = compiled()
compile_tracking()
before = compiled()
source = SimulatedPatient(Scenario((Hold(1.0),)), 5, rate_hz=50.0).source("right")
tracker = Tracker()
seen = [tracker.track(source.read().image).torsion_quality for _ in range(20)]
for image in [*(empty_picture(n)[1] for n in range(18)), *(dark_eye(n, 6.0)[0] for n in range(3))]:
    image.setflags(write=False)
    tracker.track(image)
print("torsion read", max(seen) > 0.5, "kernels", len(before) > 5, "later", sorted(compiled() - before))
reading = ("capture.torsion", "capture.iris_", "capture.glints")
print("read", len(read) > 5, "later", sorted(k for k in before - read if k[2].startswith(reading)))
"""


def test_tracking_a_picture_compiles_nothing_more() -> None:
    """The simulated pictures are of another size, read-only as every source's, and their iris can be read.

    Behind them: pictures without a pupil, and with a faint one, for which all ways of looking are tried.
    """
    ran = subprocess.run(
        [sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert ran.stdout.splitlines() == ["torsion read True kernels True later []", "read True later []"]


def test_compiling_that_nobody_waits_for_ends_at_once(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With an empty cache it would take half a minute."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    ahead = Ahead("tracking", "measuring")
    began_s = time.monotonic()
    ahead.end()
    ahead.wait()
    assert ahead.ended
    assert time.monotonic() - began_s < 2.0
    assert {child.returncode for child in ahead._children} == {-signal.SIGKILL}


def test_a_kernel_is_compiled_once_for_all_values_that_are_written_out() -> None:
    called = kernel(lambda x, n, flag: x * n if flag else x)
    calling = kernel(lambda x: called(x, 4, True) + called(x, 5, False) + called(x, 6, True))
    assert calling(2.0) == 22.0
    assert len(called.signatures) == 1
