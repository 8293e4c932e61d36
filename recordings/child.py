"""How a child process of ours is started: same interpreter, same packages, nothing that steers HDF5."""

from __future__ import annotations

import os
import sys
from pathlib import Path

PACKAGES = Path(__file__).resolve().parent.parent


def child_command(module: str, *arguments: str) -> list[str]:
    """The command line that runs one of our modules."""
    return [sys.executable, "-m", module, *arguments]


def child_environment() -> dict[str, str]:
    """Our environment without HDF5's switches (plugins, drivers, locks) and without threads for algebra."""
    kept = {name: value for name, value in os.environ.items() if not name.upper().startswith("HDF5_")}
    paths = [str(PACKAGES), *filter(None, [kept.get("PYTHONPATH")])]
    return {**kept, "PYTHONPATH": os.pathsep.join(paths), "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
