"""How long the technician's window takes from the command to its first painting, several starts.

    python -m tests.bench.window_start [STARTS]

Every start is a program of its own before simulated goggles, in an empty data folder, on an X display that
shows nothing else (`xvfb-run -s '-screen 0 1366x768x24'`); the first is left out, it warms the disk. Printed
are seconds from the start of the process until letters are seen on the display, and until there are pictures
of both eyes. The machine has to be quiet: another busy process makes it slower.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

# The window's own program, with a thread beside it that waits for the window's classes and then listens.
PROGRAM = """
import os, sys, threading, time
begun_s = float(os.environ["BEGUN_S"])

def said(what):
    print(what, round(time.monotonic() - begun_s, 3), flush=True)

def listen():
    while not hasattr(sys.modules.get("ui.window.shell"), "Shell"):
        time.sleep(0.002)
    from pyqtgraph.Qt import QtCore, QtWidgets
    shell = sys.modules["ui.window.shell"].Shell
    ticked, told = shell.tick, []

    def lit():
        corner = QtWidgets.QApplication.primaryScreen().grabWindow(0, 0, 0, 150, 60).toImage()
        return any(corner.pixel(x, 30) & 0xFF > 60 for x in range(corner.width()))

    def tick(self, now_s):
        ticked(self, now_s)
        if "window" not in told and self.isVisible() and lit():
            told.append("window")
            said("window")
        eyes = self.visit.eyes
        if eyes is not None and "eyes" not in told and all(e.picture is not None for e in eyes.eyes.values()):
            told.append("eyes")
            said("eyes")
            QtCore.QTimer.singleShot(0, self.close)

    shell.tick = tick

threading.Thread(target=listen, daemon=True).start()
sys.argv = ["driftbeat", "visit", "--simulated"]
from ui.start import main
main()
"""


def start(home: Path) -> dict[str, float]:
    """One start: seconds by what was painted."""
    begun = subprocess.run(
        [sys.executable, "-c", "import os, sys, time; os.environ['BEGUN_S'] = str(time.monotonic()); "
         "os.execv(sys.executable, [sys.executable, '-c', sys.argv[1]])", PROGRAM],
        env=os.environ | {"DRIFTBEAT_DATA": str(home / "data"), "XDG_CONFIG_HOME": str(home / "config")},
        capture_output=True, text=True, check=True, timeout=300,
    )  # fmt: skip
    return {line.split()[0]: float(line.split()[1]) for line in begun.stdout.splitlines()}


def main(starts: int) -> None:
    """Print every start and the medians."""
    found = []
    for n in range(starts + 1):
        with TemporaryDirectory() as home:
            took = start(Path(home))
        print("warming" if n == 0 else f"start {n}", took, flush=True)
        found.append(took)
    for what in ("window", "eyes"):
        print(f"median to {what}: {statistics.median(took[what] for took in found[1:]):.2f} s")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("starts", type=int, nargs="?", default=5)
    main(parser.parse_args().starts)
