"""Compiles the kernels that a first run needs, on two cores.

Compiling holds the interpreter, so only a process of its own uses a second core; what it compiles reaches the
others by numba's cache on the disk. On a machine that has run Driftbeat before, all is done in a moment.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from typing import TypeVar

import numpy as np

from recordings.child import child_command, child_environment

T = TypeVar("T")
RATE_HZ = 100.0


class Ahead:
    """Compiling in processes of its own, from when it is made. `end` may be called by any thread."""

    def __init__(self, *what: str) -> None:
        """`what` are names of `PARTS`, one process each."""
        self._children = [
            subprocess.Popen(
                child_command("ui.compile_ahead", part),
                env=child_environment(),
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,  # what it cannot compile, this process compiles later, and tells
            )
            for part in what
        ]
        self.ended = False

    def wait(self) -> None:
        """Until all is compiled, or ended."""
        for child in self._children:
            child.wait()

    def end(self) -> None:
        """Nobody waits for it any more; what was compiled so far stays on the disk."""
        self.ended = True
        for child in self._children:
            child.kill()
            child.wait()


def compile_all(also: Callable[[], T]) -> T:
    """Compile in a process beside this one what finds the pupil, which takes half of the time; here the rest.

    `also` is called meanwhile, to compile what it needs.
    """
    ahead = Ahead("tracking")
    try:
        made = also()
        compile_measuring()
        compile_reading()
        ahead.wait()
    finally:
        ahead.end()
    return made


def compile_tracking() -> None:
    """Every kernel that a picture needs."""
    from capture.tracker import warm_up

    warm_up()


def compile_reading() -> None:
    """Of these, the kernels that read iris and reflections."""
    from capture.tracker import warm_up_reading

    warm_up_reading()


def compile_measuring() -> None:
    """Every kernel that calibration and the search for beats need, by a made-up eye that beats."""
    from analysis.beats import find_beats
    from analysis.trace import trace_from_arrays
    from capture.calibration import calibrate, degrees
    from capture.profile import EyeView, MountGeometry
    from capture.samples import SAMPLE_DTYPE, Target

    time_s = np.arange(0, 8, 1 / RATE_HZ)
    saw_deg = 4 * (time_s % 0.5)
    find_beats(trace_from_arrays("right", time_s, np.column_stack((saw_deg, saw_deg / 5, saw_deg / 3))))
    samples = np.zeros(time_s.size, SAMPLE_DTYPE)
    samples["time_s"], samples["pupil_quality"], samples["visible_share"] = time_s, 1, 1
    targets = [
        Target(2.0 * k, 2.0 * k + 2, h, v) for k, (h, v) in enumerate(((0, 0), (10, 0), (-10, 0), (0, 10)))
    ]
    for target in targets:
        inside = (time_s >= target.start_s) & (time_s < target.end_s)
        samples["x_px"][inside] = 160 - 2 * target.horizontal_deg
        samples["y_px"][inside] = 120 - 2 * target.vertical_deg
    made = calibrate(targets, samples, EyeView("right"), MountGeometry(), (320, 240))
    degrees(made, samples["x_px"], samples["y_px"], samples["rotation_deg"])


def compile_painting() -> None:
    """Every kernel that a simulated patient's pictures need."""
    from capture.clock import SystemClock
    from capture.open_source import SIMULATED, open_source

    for pattern in ("healthy", ""):  # one that answers to positions, and one that is painted in advance
        source = open_source(f"{SIMULATED}right:{pattern}", SystemClock())
        source.read()
        source.close()


PARTS = {
    "tracking": compile_tracking,
    "reading": compile_reading,
    "measuring": compile_measuring,
    "painting": compile_painting,
}

if __name__ == "__main__":
    PARTS[sys.argv[1]]()
